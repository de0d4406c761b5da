//! What only fuzzers call: parsers that are private otherwise, without the files around them.

use super::Clues;
use super::clues::exif::CameraData;
use super::clues::{from_header, time};
use super::fits::card::Header;
use super::raw::{Kind, camera_data as of_raw};

/// The clues of a FITS header.
pub fn header(bytes: &[u8]) -> Clues {
    from_header(&Header::parse(bytes), 650, 500)
}

/// A date as headers write it, Julian date UTC.
pub fn date(text: &str) -> Option<f64> {
    let _ = time::parse_time(text);
    time::parse_stamp(text).map(|stamp| stamp.jd_utc())
}

/// The clues of camera data in a container; `which` chooses it.
pub fn camera_data(which: u8, bytes: &[u8]) -> Clues {
    let bytes = bytes.to_vec();
    let kinds = [Kind::Cr2, Kind::Cr3, Kind::Orf, Kind::Raf, Kind::Rw2];
    let data = match kinds.get(usize::from(which) % 8) {
        Some(kind) => of_raw::of(*kind, bytes),
        None if which % 8 == 5 => CameraData::of_jpeg(bytes),
        None => CameraData::of_tree(bytes),
    };
    let _ = data.orientation();
    data.clues(6000, 4000)
}
