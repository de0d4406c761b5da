//! The child's side: a raw file on standard input, an answer and pixels on standard output.

use super::levels::{Black, Pattern, Sensor};
use crate::frame::Pixels;
use rawler::decoders::{FormatHint, RawDecodeParams};
use rawler::imgop::Rect;
use rawler::rawimage::{RawImage, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;
use rawler::{RawImageData, RawlerError};
use serde::{Deserialize, Serialize};
use std::io::{Read, Write};
use std::sync::Arc;

/// Threads of the child: decoding gains little from more, and each reserves address space.
const MAX_THREADS: usize = 4;

/// Longest answer, bytes.
const MAX_ANSWER: u32 = 4096;

/// Longest camera name passed on.
const MAX_NAME: usize = 60;

/// Form of the pixels that follow an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Layout {
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// 32-bit floating point instead of unsigned 16-bit numbers, in the order of this computer.
    pub float: bool,
    /// Behind colour filters.
    pub mosaic: bool,
}

/// What a child has to say.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(super) enum Answer {
    /// Pixels follow.
    Picture(Layout),
    /// The file may be whole, but how this camera packs its pixels is not known.
    UnknownCamera {
        /// As the file names it.
        model: String,
    },
    /// Pixels in an order that is not read.
    UnknownLayout,
    /// The content contradicts itself or is cut short.
    Damaged,
}

impl Answer {
    /// Length, then JSON.
    fn write(&self, out: &mut impl Write) -> Option<()> {
        let text = serde_json::to_vec(self).ok()?;
        let length = u32::try_from(text.len()).ok()?;
        out.write_all(&length.to_le_bytes()).ok()?;
        out.write_all(&text).ok()
    }

    /// Reads what [`Answer::write`] wrote.
    pub fn read(from: &mut impl Read) -> Option<Answer> {
        let mut length = [0; 4];
        from.read_exact(&mut length).ok()?;
        let length = u32::from_le_bytes(length);
        if length > MAX_ANSWER {
            return None;
        }
        let mut text = vec![0; length as usize];
        from.read_exact(&mut text).ok()?;
        serde_json::from_slice(&text).ok()
    }
}

/// Decodes the raw file `file` to `out`.
pub(in crate::frame) fn run_child(file: Vec<u8>, out: &mut impl Write) -> Option<()> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    // Where a pool exists already, that one serves.
    let _ = rayon::ThreadPoolBuilder::new()
        .num_threads(threads.min(MAX_THREADS))
        .build_global();
    match decode(file) {
        Ok((layout, pixels)) => {
            Answer::Picture(layout).write(out)?;
            let bytes: &[u8] = match &pixels {
                Pixels::U8(values) => values,
                Pixels::U16(values) => bytemuck::cast_slice(values),
                Pixels::F32(values) => bytemuck::cast_slice(values),
            };
            out.write_all(bytes).ok()
        }
        Err(answer) => answer.write(out),
    }
}

fn decode(file: Vec<u8>) -> Result<(Layout, Pixels), Answer> {
    let source = RawSource::new_from_shared_vec(Arc::new(file));
    let decoder = rawler::get_decoder(&source).map_err(answer)?;
    let is_dng = decoder.format_hint() == FormatHint::DNG;
    let mut image = decoder
        .raw_image(&source, &RawDecodeParams::default(), false)
        .map_err(answer)?;
    if image.fuji_rotation_width.is_some() {
        // Rows at 45 degrees to those of the sensor.
        return Err(Answer::UnknownLayout);
    }
    let data = std::mem::replace(&mut image.data, RawImageData::Integer(Vec::new()));
    let sensor = sensor(&image, is_dng).ok_or(Answer::Damaged)?;
    let pixels = match &data {
        RawImageData::Integer(values) => sensor.counts(values).map(Pixels::U16),
        RawImageData::Float(values) => sensor.values(values).map(Pixels::F32),
    };
    let layout = Layout {
        width: sensor.area.width,
        height: sensor.area.height,
        float: matches!(data, RawImageData::Float(_)),
        mosaic: sensor.pattern.is_some(),
    };
    Ok((layout, pixels.ok_or(Answer::Damaged)?))
}

fn answer(error: RawlerError) -> Answer {
    match error {
        RawlerError::Unsupported { make, model, .. } => {
            let name = format!("{make} {model}");
            let words: Vec<&str> = name.split_whitespace().collect();
            Answer::UnknownCamera {
                model: words.join(" ").chars().take(MAX_NAME).collect(),
            }
        }
        RawlerError::DecoderFailed(_) => Answer::Damaged,
    }
}

/// What the levels need to know; `None` where it contradicts itself.
fn sensor(image: &RawImage, is_dng: bool) -> Option<Sensor> {
    use super::levels::Area;
    let whole = Area {
        left: 0,
        top: 0,
        width: image.width,
        height: image.height,
    };
    let part = |rect: &Rect| {
        Area {
            left: rect.p.x,
            top: rect.p.y,
            width: rect.d.w,
            height: rect.d.h,
        }
        .within(&whole)
    };
    let area = match (&image.active_area, &image.crop_area) {
        (Some(rect), _) | (None, Some(rect)) => part(rect)?,
        (None, None) => whole,
    };
    let pattern = match &image.photometric {
        RawPhotometricInterpretation::Cfa(mosaic) => Some(Pattern {
            width: mosaic.cfa.width,
            height: mosaic.cfa.height,
        }),
        _ => None,
    };
    let black = &image.blacklevel;
    Some(Sensor {
        row: image.width,
        planes: image.cpp,
        area,
        black: Black {
            width: black.width,
            height: black.height,
            levels: black.as_vec(),
            // DNG counts the places of black levels from the active area on (DNG 1.7,
            // BlackLevelRepeatDim), the library's list of cameras from the first stored pixel.
            from_area: is_dng,
        },
        white: image.whitelevel.0.iter().copied().min()?,
        pattern: pattern.filter(|_| image.cpp == 1),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_arrives_as_it_was_given() {
        let answers = [
            Answer::Picture(Layout {
                width: 6000,
                height: 4000,
                float: false,
                mosaic: true,
            }),
            Answer::UnknownCamera {
                model: "Own \"Maker\" One".into(),
            },
            Answer::Damaged,
        ];
        for answer in answers {
            let mut bytes = Vec::new();
            answer.write(&mut bytes).unwrap();
            bytes.extend(b"pixels");
            let mut from = &bytes[..];
            assert_eq!(Answer::read(&mut from), Some(answer));
            assert_eq!(from, b"pixels");
        }
        assert_eq!(Answer::read(&mut &b"\xff\xff\xff\xff"[..]), None);
        assert_eq!(Answer::read(&mut &b"\x02\0\0\0{"[..]), None);
    }

    #[test]
    fn what_is_no_raw_file_is_refused() {
        let refused = decode(b"II*\0\x08\0\0\0\0\0\0\0\0\0".to_vec());
        assert!(matches!(refused, Err(Answer::UnknownCamera { .. })));
    }
}
