//! The order of frames: by name, numbers by their value.

use std::cmp::Ordering;

/// Compares names as people sort them: `light-9` before `light-10`. Names that differ only in
/// case or leading zeros keep a fixed order, so that no two names are equal.
pub fn by_name(a: &str, b: &str) -> Ordering {
    let (mut left, mut right) = (a.as_bytes(), b.as_bytes());
    loop {
        let order = match (left.first(), right.first()) {
            (None, None) => return a.cmp(b),
            (Some(l), Some(r)) if l.is_ascii_digit() && r.is_ascii_digit() => {
                let (l, r) = (take_number(&mut left), take_number(&mut right));
                l.len().cmp(&r.len()).then(l.cmp(r))
            }
            (l, r) => {
                left = left.get(1..).unwrap_or_default();
                right = right.get(1..).unwrap_or_default();
                rank(l).cmp(&rank(r))
            }
        };
        if order != Ordering::Equal {
            return order;
        }
    }
}

/// What a byte counts: the end of a name first, then folders, then letters without their case.
fn rank(byte: Option<&u8>) -> (u8, u8) {
    match byte {
        None => (0, 0),
        Some(b'/') => (1, 0),
        Some(b) => (2, b.to_ascii_lowercase()),
    }
}

/// Cuts the digits off the front of `text`; gives them without leading zeros.
fn take_number<'a>(text: &mut &'a [u8]) -> &'a [u8] {
    let digits = text.iter().take_while(|b| b.is_ascii_digit()).count();
    let (number, rest) = text.split_at(digits);
    *text = rest;
    let zeros = number.iter().take_while(|b| **b == b'0').count();
    &number[zeros..]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn as_people_sort() {
        let mut names = ["b2", "a10", "a9", "a09", "A9", "a/1", "a", "a10/x", "é"];
        names.sort_by(|a, b| by_name(a, b));
        assert_eq!(
            names,
            ["a", "a/1", "A9", "a09", "a9", "a10", "a10/x", "b2", "é"]
        );
    }

    proptest! {
        #[test]
        fn it_is_an_order(a in "[aB019/.]{0,6}", b in "[aB019/.]{0,6}", c in "[aB019/.]{0,6}") {
            prop_assert_eq!(by_name(&a, &b), by_name(&b, &a).reverse());
            prop_assert_eq!(by_name(&a, &b) == Ordering::Equal, a == b);
            if by_name(&a, &b).is_lt() && by_name(&b, &c).is_lt() {
                prop_assert!(by_name(&a, &c).is_lt());
            }
        }
    }
}
