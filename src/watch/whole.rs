//! Is a file there to its last byte? Asked of its content.

use crate::Deadline;
use crate::frame::budget::Budget;
use crate::frame::fits::hdu::{self, Storage};
use crate::frame::open::{Format, open_file, recognise};
use crate::frame::source::{Source, read_file_at};
use std::fs::File;
use std::path::Path;

/// The end of a picture is looked for in this many bytes at the end: some writers add a few of their own.
const TAIL_BYTES: u64 = 64;

/// `Some(true)` for a file that holds everything its format says, `Some(false)` for one that is
/// cut short, `None` where the format does not tell (TIFF, WebP, camera raw) or the file cannot be read.
pub fn is_whole(path: &Path) -> Option<bool> {
    let (file, bytes) = open_file(path).ok()?;
    let budget = Budget::new(bytes, Deadline::NONE);
    match recognise(&file).ok()? {
        Format::Fits => Some(is_whole_fits(&Source::plain(file, budget))),
        format @ (Format::Gzip | Format::Bzip2) => {
            let source = Source::packed(file, budget, format);
            Some(is_whole_fits(&source) && source.verify_tail().is_ok())
        }
        Format::Png => ends_with(&file, bytes, b"IEND\xaeB`\x82"),
        Format::Jpeg => ends_with(&file, bytes, b"\xff\xd9"),
        Format::Tiff | Format::Webp | Format::Raw(_) => None,
    }
}

/// True where the first image and all units before it are there. What follows it is not read.
fn is_whole_fits(source: &Source) -> bool {
    let Ok((unit, shape, storage)) = hdu::find_image(source) else {
        return false;
    };
    let end = unit.data_start.saturating_add(unit.data_bytes);
    match storage {
        // A colour plane or a whole series may follow that is not used.
        Storage::Plain => shape.check_data(source, &unit).is_ok(),
        Storage::Tiles => source.available(end).is_ok_and(|have| have == end),
    }
}

fn ends_with(file: &File, bytes: u64, mark: &[u8]) -> Option<bool> {
    let length = bytes.min(TAIL_BYTES);
    let mut tail = vec![0; length as usize];
    read_file_at(file, &mut tail, bytes - length).ok()?;
    Some(tail.windows(mark.len()).any(|window| window == mark))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cut_frames_are_not_whole() {
        let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-fields/frames");
        let folder = tempfile::tempdir().unwrap();
        for name in [
            "01-power-cut.fits",
            "03-guide-camera.fits.gz",
            "04-finder.png",
            "05-piggyback.jpg",
        ] {
            let bytes = std::fs::read(frames.join(name)).unwrap();
            assert_eq!(is_whole(&frames.join(name)), Some(true), "{name}");
            for length in [100, bytes.len() / 2, bytes.len() - 4000] {
                let path = folder.path().join(name);
                std::fs::write(&path, &bytes[..length]).unwrap();
                assert_eq!(is_whole(&path), Some(false), "{length} bytes of {name}");
            }
        }
        assert_eq!(is_whole(&frames.join("06-star-diagonal.tif")), None);
        assert_eq!(is_whole(&frames.join("no-such-frame")), None);
    }
}
