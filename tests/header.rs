//! Writing WCS keywords: what changes, what stays, and what other programs make of it.

#[path = "support/cfitsio.rs"]
mod cfitsio;
mod support;

use nightfix::frame::{Frame, Pixels};
use nightfix::projection::Projection;
use nightfix::report::header::{Card, HeaderError, write_wcs};
use nightfix::wcs::{Sip, Wcs};
use std::path::Path;
use support::{HEIGHT, UNSIGNED, WIDTH, fits, fits_u16, folder, gzip, put, sky, unit};

fn wcs(with_sip: bool) -> Wcs {
    let sip = Sip {
        order: 2,
        a: vec![(2, 0, 1.5e-6), (1, 1, 2e-7)],
        b: vec![(0, 2, -1e-6)],
        inverse_order: 2,
        ap: vec![(2, 0, -1.5e-6)],
        bp: vec![(0, 2, 1e-6)],
    };
    Wcs {
        crpix: [27.0, 21.0],
        crval: [31.24904, 46.74107],
        cd: [
            [-1.4343438439979872e-3, 4.0625e-6],
            [-4.351783137355266e-6, -1.4355e-3],
        ],
        projection: Projection::Gnomonic,
        sip: with_sip.then_some(sip),
    }
}

/// The cards of the unit at `start`, as text, without END and fill.
fn cards(bytes: &[u8], start: usize) -> Vec<String> {
    bytes[start..]
        .chunks(80)
        .map(|card| String::from_utf8_lossy(card).trim_end().to_owned())
        .take_while(|card| card != "END")
        .filter(|card| !card.is_empty())
        .collect()
}

/// Where the data of the unit at `start` begin.
fn data_start(bytes: &[u8], start: usize) -> usize {
    let end = bytes[start..]
        .chunks(80)
        .position(|card| card.trim_ascii_end() == b"END");
    let bytes_used = (end.expect("a header ends") + 1) * 80;
    start + bytes_used.next_multiple_of(2880)
}

fn card<'a>(cards: &'a [String], keyword: &str) -> Option<&'a str> {
    let found: Vec<&String> = cards
        .iter()
        .filter(|c| c.get(..8).is_some_and(|k| k.trim_end() == keyword))
        .collect();
    assert!(found.len() <= 1, "{found:?}");
    found.first().map(|c| c.as_str())
}

fn written(path: &Path, wcs: &Wcs, extra: &[Card]) -> Vec<u8> {
    let written = write_wcs(path, wcs, extra).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(written, path);
    std::fs::read(path).expect("just written")
}

#[test]
fn keywords_are_added_and_nothing_else_changes() {
    let folder = folder();
    let more = [
        "RA      =  31.312099 / 02:05.25 as a telescope writes it",
        "COMMENT keep me",
        "HISTORY and me",
    ];
    let before = fits_u16(&more);
    let path = put(folder.path(), "a (1)[2].fits", &before);
    let after = written(&path, &wcs(false), &[]);
    let (old, new) = (cards(&before, 0), cards(&after, 0));
    assert_eq!(new[..old.len()], old[..]);
    assert_eq!(
        before[data_start(&before, 0)..],
        after[data_start(&after, 0)..]
    );
    // Layout of FITS 4.0, section 4.2; keywords of section 8.
    assert_eq!(
        new[old.len()..],
        [
            "WCSAXES =                    2 / number of axes described",
            "CTYPE1  = 'RA---TAN'           / right ascension, gnomonic projection",
            "CTYPE2  = 'DEC--TAN'           / declination, gnomonic projection",
            "CUNIT1  = 'deg     '",
            "CUNIT2  = 'deg     '",
            "CRPIX1  =                 27.0 / reference pixel, first pixel = 1",
            "CRPIX2  =                 21.0 / reference pixel, first pixel = 1",
            "CRVAL1  =             31.24904 / [deg] right ascension there",
            "CRVAL2  =             46.74107 / [deg] declination there",
            "CD1_1   = -1.4343438439979872E-3 / [deg/pixel]",
            "CD1_2   =            4.0625E-6 / [deg/pixel]",
            "CD2_1   = -4.351783137355266E-6 / [deg/pixel]",
            "CD2_2   =           -0.0014355 / [deg/pixel]",
            "RADESYS = 'ICRS    '           / frame of the position",
            "EQUINOX =               2000.0 / equinox of the position",
        ]
    );
    // What was written is a clue the next time.
    let frame = Frame::open(&path).unwrap_or_else(|e| panic!("{e}"));
    assert!(matches!(&frame.pixels, Pixels::U16(p) if *p == sky()));
    assert!(
        frame
            .clues
            .positions
            .iter()
            .any(|p| (p.ra_deg - 31.24904).abs() < 1e-9)
    );
    // Twice is once.
    assert_eq!(written(&path, &wcs(false), &[]), after);
}

#[test]
fn every_older_wcs_is_replaced() {
    let folder = folder();
    let older = [
        "CTYPE1  = 'RA---SIN'",
        "crval1  = 5",
        "CDELT1  = -0.1",
        "CROTA2  = 12",
        "PC1_2   = 0.1",
        "CD2_1   = 7",
        "PV2_1   = 1",
        "A_ORDER = 3",
        "A_0_3   = 1e-9",
        "LONPOLE = 170",
        "RADECSYS= 'FK4'",
        "EQUINOX = 1950.0",
        "CTYPE1A = 'GLON-CAR'",
        "WCSNAMEB= 'long name&'",
        "CONTINUE  'of an alternate'",
        "WAT1_001= 'wtype=tnx'",
        "AMDX13  = 0.0",
        "PPO3    = 1.7E+05",
        "PLTRAH  = 8",
    ];
    let kept = [
        "OBJECT  = 'CD1_1   = 5'",
        "LONGSTR = 'stays&'",
        "CONTINUE  ' whole'",
        "CCD-TEMP= -10",
        "EPOCH   = 1951.9",
    ];
    let before = fits_u16(&[&older[..9], &kept, &older[9..]].concat());
    let path = put(folder.path(), "frame.fits", &before);
    let after = written(&path, &wcs(true), &[]);
    let new = cards(&after, 0);
    for old in older {
        assert!(!new.iter().any(|c| c == old), "{old}");
    }
    for kept in kept {
        assert!(new.iter().any(|c| c == kept), "{kept}");
    }
    assert_eq!(
        card(&new, "A_ORDER"),
        Some("A_ORDER =                    2 / order of the SIP polynomial")
    );
    assert_eq!(card(&new, "AP_2_0"), Some("AP_2_0  =              -1.5E-6"));
    assert!(card(&new, "CTYPE1").is_some_and(|c| c.contains("'RA---TAN-SIP'")));
}

/// Sum of big-endian words with the carries brought round: all ones for a unit whose CHECKSUM is
/// right (FITS 4.0, section 4.4.2.7).
fn sum(bytes: &[u8]) -> u32 {
    bytes.chunks(4).fold(0_u32, |sum, word| {
        let word = word.iter().fold(0_u32, |w, b| w << 8 | u32::from(*b));
        let (sum, carry) = sum.overflowing_add(word);
        sum + u32::from(carry)
    })
}

/// Both values are those of astropy 8.0.2 for the same bytes (`_compute_checksum`, `_char_encode`),
/// whose `verify_checksum` and `verify_datasum` accept the file.
#[test]
fn checksums_are_made_right() {
    let folder = folder();
    let more = [
        "CHECKSUM= '0000000000000000'   / of the unit",
        "DATASUM = '1'   / of the data",
    ];
    let path = put(folder.path(), "frame.fits", &fits_u16(&more));
    let after = written(&path, &wcs(true), &[]);
    let new = cards(&after, 0);
    assert_eq!(
        card(&new, "DATASUM"),
        Some("DATASUM = '1765558754'         / of the data")
    );
    assert_eq!(
        card(&new, "CHECKSUM"),
        Some("CHECKSUM= 'JpAAJn73JnAAJn73'   / of the unit")
    );
    assert_eq!(sum(&after), u32::MAX);
    // None is added where there was none.
    let path = put(folder.path(), "plain.fits", &fits_u16(&[]));
    let after = written(&path, &wcs(true), &[]);
    assert_eq!(card(&cards(&after, 0), "CHECKSUM"), None);
}

/// cfitsio, the reference implementation of FITS, reads every number as it was meant, finds the
/// checksums right and the pixels as they were.
#[test]
fn cfitsio_reads_back_what_was_written() {
    let folder = folder();
    let more = ["CHECKSUM= '0000000000000000'", "DATASUM = '1'"];
    let path = put(folder.path(), "frame.fits", &fits_u16(&more));
    let meant = wcs(true);
    written(&path, &meant, &[]);
    let mut file = fitsio::FitsFile::open(&path).expect("cfitsio opens it");
    let unit = file.primary_hdu().expect("a primary unit");
    let text = |file: &mut fitsio::FitsFile, name: &str| -> String {
        unit.read_key(file, name)
            .unwrap_or_else(|e| panic!("{name}: {e}"))
    };
    assert_eq!(text(&mut file, "CTYPE1"), "RA---TAN-SIP");
    assert_eq!(text(&mut file, "CTYPE2"), "DEC--TAN-SIP");
    assert_eq!(text(&mut file, "RADESYS"), "ICRS");
    let sip = meant.sip.expect("asked for");
    let mut numbers: Vec<(String, f64)> = Vec::new();
    for axis in 0..2 {
        numbers.push((format!("CRPIX{}", axis + 1), meant.crpix[axis]));
        numbers.push((format!("CRVAL{}", axis + 1), meant.crval[axis]));
        let row = (0..2).map(|k| (format!("CD{}_{}", axis + 1, k + 1), meant.cd[axis][k]));
        numbers.extend(row);
    }
    let families = [
        ("A", &sip.a),
        ("B", &sip.b),
        ("AP", &sip.ap),
        ("BP", &sip.bp),
    ];
    for (name, terms) in families {
        let of_family = terms
            .iter()
            .map(|(p, q, value)| (format!("{name}_{p}_{q}"), *value));
        numbers.extend(of_family);
    }
    assert_eq!(numbers.len(), 13);
    for (name, number) in numbers {
        let read: f64 = unit
            .read_key(&mut file, &name)
            .unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(read, number, "{name}");
    }
    let pixels: Vec<u16> = unit.read_image(&mut file).expect("an image");
    assert_eq!(pixels, sky());
    assert_eq!(
        cfitsio::checksums(&path),
        [1, 1],
        "1: right, 0: none, -1: wrong"
    );
}

#[test]
fn cubes_keep_their_third_axis() {
    let folder = folder();
    let data = vec![0; 2 * 3 * WIDTH * HEIGHT];
    let third = ["CTYPE3  = 'FREQ'", "CRVAL3  = 7", "CDELT3  = 5"];
    let path = put(
        folder.path(),
        "cube.fits",
        &fits(
            16,
            &[WIDTH, HEIGHT, 3],
            &[&UNSIGNED[..], &third].concat(),
            &data,
        ),
    );
    let new = cards(&written(&path, &wcs(false), &[]), 0);
    let value = |keyword| card(&new, keyword).map(|c| c[10..].trim().to_owned());
    assert_eq!(value("WCSAXES").map(|v| v.starts_with('3')), Some(true));
    assert_eq!(value("CTYPE3"), Some("'FREQ    '".into()));
    assert_eq!(value("CRVAL3"), Some("7.0".into()));
    assert_eq!(value("CD3_3"), Some("5.0".into()));
    assert_eq!(value("CDELT3"), None);
}

#[test]
fn the_image_extension_gets_them() {
    let folder = folder();
    let primary = unit(
        &["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", "EXTEND  = T"],
        &[],
    );
    let extension = |name: &str| {
        let cards = [
            "XTENSION= 'IMAGE'",
            "BITPIX  = 16",
            "NAXIS   = 2",
            "NAXIS1  = 53",
            "NAXIS2  = 41",
            "PCOUNT  = 0",
            "GCOUNT  = 1",
            name,
        ];
        unit(&cards, &vec![1; 2 * WIDTH * HEIGHT])
    };
    let (first, second) = (extension("EXTNAME = 'ONE'"), extension("EXTNAME = 'TWO'"));
    let path = put(
        folder.path(),
        "frame.fits",
        &[&primary[..], &first, &second].concat(),
    );
    let after = written(&path, &wcs(false), &[]);
    assert_eq!(after[..2880], primary[..]);
    assert!(card(&cards(&after, 2880), "CRVAL1").is_some());
    assert!(after.ends_with(&second));
}

#[test]
fn other_formats_get_a_file_beside_them() {
    let folder = folder();
    let extra = [Card::new("OBSERVER", "night", "who")];
    for (name, bytes) in [
        ("frame.png", support::png_u16()),
        ("frame.fits.gz", gzip(&fits_u16(&[]))),
        ("frame.jpg", support::jpeg()),
    ] {
        let path = put(folder.path(), name, &bytes);
        let beside = write_wcs(&path, &wcs(true), &extra).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(beside, folder.path().join(format!("{name}.pointing.fits")));
        assert_eq!(std::fs::read(&path).expect("there"), bytes);
        let header = std::fs::read(&beside).expect("just written");
        assert_eq!(header.len() % 2880, 0);
        let new = cards(&header, 0);
        assert_eq!(new[0], "SIMPLE  =                    T / FITS");
        assert!(card(&new, "NAXIS").is_some_and(|c| c[..30].ends_with(" 0")));
        assert!(card(&new, "CD1_1").is_some() && card(&new, "OBSERVER").is_some());
    }
}

#[test]
fn extra_cards_replace_their_like() {
    let folder = folder();
    let path = put(
        folder.path(),
        "frame.fits",
        &fits_u16(&["OBSERVER= 'day'", "GAIN    = 1"]),
    );
    let extra = [Card::new("OBSERVER", "night", "who")];
    let new = cards(&written(&path, &wcs(false), &extra), 0);
    assert_eq!(
        card(&new, "OBSERVER"),
        Some("OBSERVER= 'night   '           / who")
    );
    assert!(card(&new, "GAIN").is_some());
}

#[test]
fn what_cannot_be_written_leaves_the_frame_alone() {
    let folder = folder();
    let bytes = fits_u16(&[]);
    let path = put(folder.path(), "frame.fits", &bytes);
    let mut broken = wcs(false);
    broken.crval[0] = f64::NAN;
    let error = write_wcs(&path, &broken, &[]);
    assert!(matches!(error, Err(HeaderError::NotWritten { .. })));
    let mut permissions = std::fs::metadata(&path).expect("there").permissions();
    permissions.set_readonly(true);
    std::fs::set_permissions(&path, permissions).expect("allowed");
    let error = write_wcs(&path, &wcs(false), &[]).map_err(|e| e.to_string());
    assert!(error.is_err_and(|e| e.contains("write-protected") && e.lines().count() == 1));
    assert_eq!(std::fs::read(&path).expect("there"), bytes);
    assert!(write_wcs(&folder.path().join("missing.fits"), &wcs(false), &[]).is_err());
    let left = std::fs::read_dir(folder.path()).expect("there").count();
    assert_eq!(left, 1, "temporary files stayed behind");
}

#[cfg(unix)]
#[test]
fn permissions_and_links_are_kept() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder();
    let path = put(folder.path(), "frame.fits", &fits_u16(&[]));
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).expect("allowed");
    let link = folder.path().join("link.fits");
    std::os::unix::fs::symlink(&path, &link).expect("a link");
    written(&link, &wcs(false), &[]);
    assert!(
        std::fs::symlink_metadata(&link)
            .expect("there")
            .is_symlink()
    );
    let mode = std::fs::metadata(&path)
        .expect("there")
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o640);
    let after = std::fs::read(&path).expect("there");
    assert!(card(&cards(&after, 0), "CRVAL1").is_some());
}
