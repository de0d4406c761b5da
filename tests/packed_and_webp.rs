//! FITS packed by bzip2, and WebP pictures, as other programs write them.

mod support;

use nightfix::frame::{Frame, FrameError, Pixels};
use std::io::Write;
use support::{HEIGHT, WIDTH, bzip2, fits_u16, folder, put, sky};

/// Differences that rounding of colours makes, in counts of 255.
const ROUNDING: i32 = 2;

fn opened(name: &str, bytes: &[u8]) -> Result<Frame, FrameError> {
    let folder = folder();
    Frame::open(&put(folder.path(), name, bytes))
}

fn refused(bytes: &[u8], word: &str) -> FrameError {
    let error = opened("frame", bytes).map(|f| f.width).unwrap_err();
    let text = error.to_string();
    assert!(text.contains(word) && text.lines().count() == 1, "{text}");
    error
}

/// Two streams one after the other are one file: packers that use several threads write them.
#[test]
fn bzip2_is_unpacked_whatever_its_name() {
    let whole = fits_u16(&["FOCALLEN= 400"]);
    let (head, rest) = whole.split_at(3000);
    for bytes in [bzip2(&whole), [bzip2(head), bzip2(rest)].concat()] {
        let frame = opened("frame.fits.gz", &bytes).expect("a sound file");
        assert_eq!([frame.width, frame.height], [WIDTH, HEIGHT]);
        let Pixels::U16(data) = &frame.pixels else {
            panic!("16-bit data");
        };
        assert_eq!(*data, sky());
    }
}

#[test]
fn damaged_bzip2_is_told() {
    let good = bzip2(&fits_u16(&[]));
    refused(&good[..good.len() / 2], "ends before");
    let mut bad = good.clone();
    let middle = bad.len() / 2;
    bad[middle] ^= 0x55;
    // What its header has become is seen before the checksum of the block.
    refused(&bad, "");
    // Its checksum.
    let mut bad = good.clone();
    let end = bad.len() - 3;
    bad[end] ^= 1;
    refused(&bad, "damaged gzip or bzip2");
    refused(&bzip2(b"a text"), "something else than FITS");
}

/// The pictures were written by libwebp; the PNG files beside them are what it decodes them to.
#[test]
fn webp_is_decoded_as_its_own_library_does() {
    let pair = |name: &str| {
        let at = |ending: &str| {
            let path = format!("{}/tests/webp/{name}.{ending}", env!("CARGO_MANIFEST_DIR"));
            Frame::open(path.as_ref()).expect("a sound file")
        };
        (at("webp"), at("png"))
    };
    for (name, most) in [
        ("lossless", 0),
        ("lossy", ROUNDING),
        ("transparent", ROUNDING),
    ] {
        let (webp, png) = pair(name);
        assert!(webp.nonlinear && webp.first_row_on_top);
        assert_eq!([webp.width, webp.height], [png.width, png.height]);
        let (Pixels::U8(webp), Pixels::U8(png)) = (&webp.pixels, &png.pixels) else {
            panic!("8-bit pictures");
        };
        let apart = webp
            .iter()
            .zip(png)
            .map(|(a, b)| (i32::from(*a) - i32::from(*b)).abs());
        assert!(apart.max().unwrap() <= most, "{name}");
    }
}

#[test]
fn damaged_webp_is_told() {
    let good = std::fs::read(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/webp/lossy.webp"
    ))
    .unwrap();
    refused(&good[..good.len() / 2], "");
    let at = good.windows(3).position(|w| w == [0x9d, 1, 0x2a]).unwrap() + 3;
    let mut bad = good.clone();
    // A picture of other sides inside a file that claims these.
    let extended = {
        let mut out = b"RIFF\0\0\0\0WEBPVP8X\x0a\0\0\0\0\0\0\0".to_vec();
        out.extend([71, 0, 0, 47, 0, 0]);
        bad[at..at + 4].copy_from_slice(&[0xff, 0x3f, 0xff, 0x3f]);
        out.write_all(&bad[12..]).unwrap();
        let length = (out.len() - 8) as u32;
        out[4..8].copy_from_slice(&length.to_le_bytes());
        out
    };
    refused(&extended, "different sizes");
}

#[test]
fn pictures_of_phones_are_told_what_to_become() {
    for brand in [b"heic", b"mif1", b"avif"] {
        let bytes = [&b"\0\0\0\x18ftyp"[..], brand, &[0; 40]].concat();
        let error = refused(&bytes, "save it as JPEG or PNG");
        assert!(matches!(error, FrameError::NotReadable { .. }));
    }
}
