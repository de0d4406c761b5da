//! What of a name counts when names are compared.

/// Other words for a catalogue, and the one that the table has. Longer ones first.
const CATALOGUES: [(&str, &str); 12] = [
    ("messier", "m"),
    ("caldwell", "c"),
    ("sharpless2", "sh2"),
    ("sharpless", "sh2"),
    ("collinder", "cr"),
    ("melotte", "mel"),
    ("barnard", "b"),
    ("hickson", "hcg"),
    ("harvard", "h"),
    ("newgeneralcatalogue", "ngc"),
    ("indexcatalogue", "ic"),
    ("cl", "cr"),
];

/// Letters and digits in lower case; `messier 081`, `M81` and `m 81` have the same key. Letters
/// with marks lose them where they are common in names.
pub(crate) fn key(name: &str) -> String {
    let mut plain = String::with_capacity(name.len());
    for c in name.chars().flat_map(char::to_lowercase) {
        match c {
            'à'..='å' => plain.push('a'),
            'ç' => plain.push('c'),
            'è'..='ë' => plain.push('e'),
            'ì'..='ï' => plain.push('i'),
            'ñ' => plain.push('n'),
            'ò'..='ö' | 'ø' => plain.push('o'),
            'ù'..='ü' => plain.push('u'),
            '&' => plain.push_str("and"),
            c if c.is_ascii_alphanumeric() => plain.push(c),
            // Any other letter is part of the name, which is then unknown.
            c if c.is_alphanumeric() => plain.push(c),
            _ => {}
        }
    }
    match number_at(&plain) {
        Some(at) => {
            let (word, number) = plain.split_at(at);
            let alias = CATALOGUES.iter().find(|(other, _)| *other == word);
            let word = alias.map_or(word, |(_, own)| own);
            format!("{word}{}", number.trim_start_matches('0'))
        }
        None => match plain.strip_prefix("the") {
            Some(rest) if !rest.is_empty() => rest.to_owned(),
            _ => plain,
        },
    }
}

/// Where the number of a designation begins: a word, then digits.
fn number_at(plain: &str) -> Option<usize> {
    // The 2 of Sh2 belongs to the word.
    for word in ["sharpless2", "sh2"] {
        let longer = |rest: &str| rest.starts_with(|c: char| c.is_ascii_digit());
        if plain.strip_prefix(word).is_some_and(longer) {
            return Some(word.len());
        }
    }
    plain
        .find(|c: char| c.is_ascii_digit())
        .filter(|at| *at > 0)
}

#[cfg(test)]
mod tests {
    use super::key;

    #[test]
    fn spellings_of_one_name_have_one_key() {
        for spellings in [
            &["M 81", "m81", "Messier 81", "M081", "messier-81"][..],
            &["NGC 3031", "ngc3031", "N.G.C. 3031", "NGC03031"],
            &[
                "Sh2-155",
                "SH 2-155",
                "Sharpless 155",
                "Sharpless 2-155",
                "sh2 155",
            ],
            &[
                "Bode's Galaxy",
                "BODE’S GALAXY",
                "bodes galaxy",
                "Bödes Galaxy",
            ],
            &["Cr 399", "Collinder 399", "Cl399"],
            &["the Witch Head Nebula", "Witch Head Nebula"],
            &["h & chi Persei", "h and chi persei"],
        ] {
            for spelling in spellings {
                assert_eq!(key(spelling), key(spellings[0]), "{spelling}");
            }
        }
        assert_ne!(key("M 8"), key("M 80"));
        assert_ne!(key("IC 80 NED01"), key("IC 80 NED02"));
        assert_eq!(key("47 Tuc Cluster"), "47tuccluster");
    }
}
