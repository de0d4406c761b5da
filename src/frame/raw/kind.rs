//! Recognises camera raw files by their content.
//!
//! Sources: TIFF 6.0, DNG 1.7 and TIFF/EP (ISO 12234-2) for tags; the marks at the start of files
//! are those by which the file utility and the decoder library know them.

use crate::frame::source::read_file_at;
use std::fs::File;

/// Family of a camera raw file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// CR2: a TIFF with a mark of its own.
    Cr2,
    /// CR3: an ISO base media file.
    Cr3,
    /// Digital Negative.
    Dng,
    /// ORF: a TIFF but for its first bytes.
    Orf,
    /// RAF: a JPEG and the mosaic behind a header.
    Raf,
    /// RW2: a TIFF but for its first bytes.
    Rw2,
    /// A TIFF whose pixels are a sensor's: NEF, ARW, PEF and others.
    Other,
}

/// Directories looked at.
const MAX_DIRECTORIES: usize = 24;

/// Entries of a directory looked at; cameras write some tens.
const MAX_ENTRIES: usize = 1024;

/// Directories that one entry may point at.
const MAX_CHILDREN: u32 = 16;

const COMPRESSION: u16 = 259;
const PHOTOMETRIC: u16 = 262;
const SUB_DIRECTORIES: u16 = 330;
const DNG_VERSION: u16 = 50706;

/// Pixels behind colour filters (TIFF/EP), and a sensor's pixels with all colours (DNG).
const SENSOR_PHOTOMETRIC: [u32; 2] = [32803, 34892];

/// Cameras' own ways to pack: ARW (32767), SRW (32769 to 32772), NEF (34713), PEF (65535).
const SENSOR_COMPRESSION: [u32; 6] = [32767, 32769, 32770, 32772, 34713, 65535];

impl Kind {
    /// What people call it.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Cr2 => "a CR2 camera raw file",
            Kind::Cr3 => "a CR3 camera raw file",
            Kind::Dng => "a DNG camera raw file",
            Kind::Orf => "an ORF camera raw file",
            Kind::Raf => "a RAF camera raw file",
            Kind::Rw2 => "an RW2 camera raw file",
            Kind::Other => "a camera raw file",
        }
    }

    /// Where the first 16 bytes tell.
    pub fn of_magic(magic: &[u8]) -> Option<Kind> {
        let at = |offset: usize, mark: &[u8]| {
            magic
                .get(offset..)
                .is_some_and(|rest| rest.starts_with(mark))
        };
        let tiff = at(0, b"II*\0") || at(0, b"MM\0*");
        Some(match () {
            () if tiff && at(8, b"CR") => Kind::Cr2,
            () if at(4, b"ftypcrx ") => Kind::Cr3,
            () if at(0, b"FUJIFILMCCD-RAW") => Kind::Raf,
            () if at(0, b"IIRO") || at(0, b"IIRS") || at(0, b"MMOR") => Kind::Orf,
            () if at(0, b"IIU\0") => Kind::Rw2,
            () => return None,
        })
    }

    /// Where a TIFF holds a sensor's pixels; `None` for a picture, whoever took it.
    pub fn of_tiff(file: &File) -> Option<Kind> {
        let mut found = None;
        for directory in Directories::of(file)? {
            for entry in &directory {
                match entry.tag {
                    DNG_VERSION => return Some(Kind::Dng),
                    PHOTOMETRIC if SENSOR_PHOTOMETRIC.contains(&entry.value) => {
                        found = Some(Kind::Other);
                    }
                    COMPRESSION if SENSOR_COMPRESSION.contains(&entry.value) => {
                        found = Some(Kind::Other);
                    }
                    _ => {}
                }
            }
        }
        found
    }
}

/// An entry of a TIFF directory.
struct Entry {
    tag: u16,
    count: u32,
    /// The value where it is a single number, else where the values are.
    value: u32,
}

/// The directories of a TIFF file: the chain, and those that entries point at.
struct Directories<'a> {
    file: &'a File,
    little_endian: bool,
    waiting: Vec<u32>,
    seen: Vec<u32>,
}

impl<'a> Directories<'a> {
    fn of(file: &'a File) -> Option<Self> {
        let mut start = [0; 8];
        read_file_at(file, &mut start, 0).ok()?;
        let mut directories = Directories {
            file,
            little_endian: start[0] == b'I',
            waiting: Vec::new(),
            seen: Vec::new(),
        };
        // The other number is BigTIFF's, which no camera writes.
        if directories.u16_at(&start, 2) != 42 {
            return None;
        }
        directories.waiting.push(directories.u32_at(&start, 4));
        Some(directories)
    }

    fn u16_at(&self, bytes: &[u8], at: usize) -> u16 {
        let two = [bytes[at], bytes[at + 1]];
        if self.little_endian {
            u16::from_le_bytes(two)
        } else {
            u16::from_be_bytes(two)
        }
    }

    fn u32_at(&self, bytes: &[u8], at: usize) -> u32 {
        let four = [bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]];
        if self.little_endian {
            u32::from_le_bytes(four)
        } else {
            u32::from_be_bytes(four)
        }
    }

    /// Entries of the directory at `offset`, and where the next one of the chain is.
    fn read(&self, offset: u32) -> Option<(Vec<Entry>, u32)> {
        const SHORT: u16 = 3;
        let mut count = [0; 2];
        read_file_at(self.file, &mut count, offset.into()).ok()?;
        let count = usize::from(self.u16_at(&count, 0)).min(MAX_ENTRIES);
        let mut bytes = vec![0; count * 12 + 4];
        read_file_at(self.file, &mut bytes, u64::from(offset) + 2).ok()?;
        let entries = bytes
            .chunks_exact(12)
            .map(|entry| Entry {
                tag: self.u16_at(entry, 0),
                count: self.u32_at(entry, 4),
                value: match self.u16_at(entry, 2) {
                    SHORT => self.u16_at(entry, 8).into(),
                    _ => self.u32_at(entry, 8),
                },
            })
            .collect();
        Some((entries, self.u32_at(&bytes, count * 12)))
    }

    /// Where the directories are that an entry points at.
    fn children(&self, entry: &Entry) -> Vec<u32> {
        if entry.count <= 1 {
            return vec![entry.value];
        }
        let mut bytes = vec![0; 4 * entry.count.min(MAX_CHILDREN) as usize];
        if read_file_at(self.file, &mut bytes, entry.value.into()).is_err() {
            return Vec::new();
        }
        bytes.chunks_exact(4).map(|b| self.u32_at(b, 0)).collect()
    }
}

impl Iterator for Directories<'_> {
    type Item = Vec<Entry>;

    fn next(&mut self) -> Option<Vec<Entry>> {
        while let Some(offset) = self.waiting.pop() {
            if self.seen.contains(&offset) || self.seen.len() >= MAX_DIRECTORIES {
                continue;
            }
            self.seen.push(offset);
            let Some((entries, next)) = self.read(offset) else {
                continue;
            };
            if next != 0 {
                self.waiting.push(next);
            }
            for entry in entries.iter().filter(|e| e.tag == SUB_DIRECTORIES) {
                let children = self.children(entry);
                self.waiting.extend(children);
            }
            return Some(entries);
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A TIFF of one directory with these single numbers.
    fn tiff(little_endian: bool, entries: &[(u16, u32)]) -> File {
        use std::io::Write;
        let u16 = |v: u16| {
            if little_endian {
                v.to_le_bytes()
            } else {
                v.to_be_bytes()
            }
        };
        let u32 = |v: u32| {
            if little_endian {
                v.to_le_bytes()
            } else {
                v.to_be_bytes()
            }
        };
        let mut bytes = if little_endian {
            b"II".to_vec()
        } else {
            b"MM".to_vec()
        };
        bytes.extend(u16(42));
        bytes.extend(u32(8));
        bytes.extend(u16(entries.len() as u16));
        for (tag, value) in entries {
            bytes.extend(u16(*tag));
            bytes.extend(u16(4));
            bytes.extend(u32(1));
            bytes.extend(u32(*value));
        }
        bytes.extend(u32(0));
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&bytes).unwrap();
        file
    }

    #[test]
    fn the_pixels_tell_and_not_the_maker() {
        const MAKE: u16 = 271;
        for little in [true, false] {
            let kind = |entries: &[(u16, u32)]| Kind::of_tiff(&tiff(little, entries));
            assert_eq!(kind(&[(MAKE, 1), (COMPRESSION, 1), (PHOTOMETRIC, 2)]), None);
            assert_eq!(kind(&[(PHOTOMETRIC, 32803)]), Some(Kind::Other));
            assert_eq!(kind(&[(COMPRESSION, 34713)]), Some(Kind::Other));
            let dng = [(PHOTOMETRIC, 32803), (DNG_VERSION, 0x0401)];
            assert_eq!(kind(&dng), Some(Kind::Dng));
            // A directory that points at itself ends.
            assert_eq!(kind(&[(SUB_DIRECTORIES, 8)]), None);
        }
    }

    #[test]
    fn marks_at_the_start() {
        let kind = |mark: &[u8]| Kind::of_magic(mark);
        assert_eq!(kind(b"II*\0\x10\0\0\0CR\x02\0"), Some(Kind::Cr2));
        assert_eq!(kind(b"II*\0\x10\0\0\0"), None);
        assert_eq!(kind(b"\0\0\0\x18ftypcrx "), Some(Kind::Cr3));
        assert_eq!(kind(b"\0\0\0\x18ftypheic"), None);
        assert_eq!(kind(b"IIRS\x08\0\0\0"), Some(Kind::Orf));
        assert_eq!(kind(b""), None);
    }
}
