//! The directories of camera data, looked through before the decoding library takes memory for what
//! they claim: it keeps every entry of directories that overlap, and each of a million empty texts.
//!
//! Source: TIFF 6.0, section 2; Exif 2.32 (CIPA DC-008), section 4.6.3.

use std::collections::HashSet;

/// Pointers to further directories: exposure, place, compatibility.
const POINTERS: [u64; 3] = [34_665, 34_853, 40_965];

/// Most entries of all directories together; cameras write some hundreds.
const MAX_ENTRIES: usize = 1 << 16;

/// Most values of an entry that are read. Nothing that is wanted has more than some tens.
const MAX_VALUES: u64 = 1 << 16;

/// Shortens lists that are longer than any that is wanted. `None` where there are more directories
/// than any camera writes.
pub(super) fn shortened(mut bytes: Vec<u8>) -> Option<Vec<u8>> {
    let little_endian = bytes.first() == Some(&b'I');
    let first = number(&bytes, 4, 4, little_endian)?;
    // Only directories of pictures have a next one.
    let (mut waiting, mut seen) = (vec![(first as usize, true)], HashSet::new());
    let mut entries = 0;
    while let Some((directory, of_picture)) = waiting.pop() {
        if directory == 0 || !seen.insert(directory) {
            continue;
        }
        let Some(count) = number(&bytes, directory, 2, little_endian) else {
            continue;
        };
        entries += count as usize;
        if entries > MAX_ENTRIES {
            return None;
        }
        let next = directory + 2 + 12 * count as usize;
        for entry in (directory + 2..next).step_by(12) {
            let of = |at, size| number(&bytes, entry + at, size, little_endian);
            let (Some(tag), Some(values), Some(value)) = (of(0, 2), of(4, 4), of(8, 4)) else {
                break;
            };
            if POINTERS.contains(&tag) {
                // Some have 16 bits.
                let value = if of(2, 2) == Some(3) {
                    of(8, 2)
                } else {
                    Some(value)
                };
                waiting.extend(value.map(|at| (at as usize, false)));
            }
            if values > MAX_VALUES {
                shorten(&mut bytes, entry + 4, little_endian);
            }
        }
        if of_picture && let Some(at) = number(&bytes, next, 4, little_endian) {
            waiting.push((at as usize, true));
        }
    }
    Some(bytes)
}

fn shorten(bytes: &mut [u8], at: usize, little_endian: bool) {
    let most = MAX_VALUES as u32;
    let stored = if little_endian {
        most.to_le_bytes()
    } else {
        most.to_be_bytes()
    };
    if let Some(count) = bytes.get_mut(at..at + 4) {
        count.copy_from_slice(&stored);
    }
}

fn number(bytes: &[u8], at: usize, size: usize, little_endian: bool) -> Option<u64> {
    let bytes = bytes.get(at..at.checked_add(size)?)?;
    let add = |number: u64, byte: &u8| number << 8 | u64::from(*byte);
    Some(if little_endian {
        bytes.iter().rev().fold(0, add)
    } else {
        bytes.iter().fold(0, add)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn directory(entries: &[[u32; 4]], next: u32) -> Vec<u8> {
        let mut bytes = (entries.len() as u16).to_le_bytes().to_vec();
        for [tag, kind, count, value] in entries {
            bytes.extend((*tag as u16).to_le_bytes());
            bytes.extend((*kind as u16).to_le_bytes());
            bytes.extend([count.to_le_bytes(), value.to_le_bytes()].concat());
        }
        bytes.extend(next.to_le_bytes());
        bytes
    }

    #[test]
    fn long_lists_are_shortened_wherever_they_are() {
        let head = b"II*\0\x08\0\0\0".to_vec();
        let first = directory(&[[34_665, 4, 1, 26]], 0);
        let second = directory(&[[36_867, 2, 9_000_000, 44], [37_386, 5, 1, 44]], 0);
        let bytes = [head, first, second].concat();
        let short = shortened(bytes.clone()).unwrap();
        let changed: Vec<usize> = (0..bytes.len())
            .filter(|i| bytes[*i] != short[*i])
            .collect();
        assert_eq!(number(&short, 32, 4, true), Some(MAX_VALUES));
        assert!(changed.iter().all(|at| (32..36).contains(at)));
    }

    #[test]
    fn directories_without_end_are_refused() {
        // Each entry points at another place in one list of entries.
        let entries: Vec<[u32; 4]> = (0..500).map(|n| [34_665, 4, 1, 10 + 2 * n]).collect();
        let bytes = [b"II*\0\x08\0\0\0".to_vec(), directory(&entries, 8)].concat();
        assert_eq!(shortened(bytes), None);
        assert_eq!(shortened(b"II*".to_vec()), None);
    }
}
