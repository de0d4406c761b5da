//! The bright-star extract against outside values, and damaged.

use index_builder::catalogue::{Catalogue, read, read_extract};
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("catalogue")
}

fn extract() -> Catalogue {
    read(&folder().join("bright-stars.nfcat")).expect("the committed extract")
}

/// Hipparcos (van Leeuwen 2007, I/311) carried to J2000: `handbook_stars.csv`. Barnard's star is
/// left out: the extract's source has another proper motion for it.
#[test]
fn stars_of_hipparcos_are_where_it_says() {
    let stars = extract().stars;
    let text = std::fs::read_to_string(folder().join("handbook_stars.csv")).expect("the list");
    let mut checked = 0;
    for line in text.lines().skip(2) {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |i: usize| fields[i].parse::<f64>().expect("a number");
        let (name, ra, dec) = (fields[1], number(2), number(3));
        if name == "Barnard's star" {
            continue;
        }
        let nearest_arcsec = stars
            .iter()
            .map(|s| {
                let east = (s.ra_deg - ra + 180.0).rem_euclid(360.0) - 180.0;
                3600.0 * (east * dec.to_radians().cos()).hypot(s.dec_deg - dec)
            })
            .fold(f64::MAX, f64::min);
        assert!(nearest_arcsec < 1.5, "{name}: {nearest_arcsec} arcsec");
        checked += 1;
    }
    assert_eq!(checked, 21);
}

#[test]
fn number_of_stars() {
    assert_eq!(extract().stars.len(), 973_073);
}

#[test]
fn damaged_extracts_are_errors() {
    let bytes = std::fs::read(folder().join("bright-stars.nfcat")).expect("the extract");
    for length in [0, 7, 8, 15, 16, 100, bytes.len() / 2, bytes.len() - 1] {
        assert!(read_extract(&bytes[..length]).is_err(), "{length} bytes");
    }
    for place in [8, 11, 16, 17, bytes.len() / 2, bytes.len() - 1] {
        let mut flipped = bytes.clone();
        flipped[place] ^= 0x55;
        assert!(read_extract(&flipped).is_err(), "byte {place}");
    }
}
