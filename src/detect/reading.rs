//! The ways to read the stars of a frame. Where those seen at first fit nowhere, it is read again:
//! on another background, which shows other stars, with single pixels for stars, without them, without
//! what is a pixel wide, in blocks of several pixels, for wider lenses, or in its middle only.

use super::pixels::{Image, Pixel, Plane};
use super::points::without_points;
use super::{Background, Detection, Detections, Refusal, detect_as, switches};
use crate::Deadline;
use crate::frame::{Frame, Pixels};

/// How the stars of a frame are read.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Reading {
    /// As the frame looks.
    #[default]
    AsItLooks,
    /// On this background: for a sky that was taken for a nebula, or a nebula taken for sky.
    On(Background),
    /// With single bright pixels for stars, on this background: frames binned far.
    SinglePixels(Background),
    /// Stars are wide, out of focus: what is narrow is not one, and the background is drawn as
    /// fine as their width allows.
    OutOfFocus,
    /// As at first, for lenses of wider fields than those that a search begins with, and fisheyes.
    WidestLenses,
    /// Its middle only, half as wide and half as high: for lenses wider than those that the search
    /// knows, fisheyes, and a horizon below. What is looked for there is as narrow as an ordinary lens.
    Middle,
    /// Without what is a pixel wide: for stars among hot pixels and tracks of particles that outnumber
    /// them, which noise reduction, sharpening and compression have made to look like stars.
    WithoutPoints,
    /// In blocks of this many pixels along each side: for bright stars that a tone curve has made
    /// wider than the many faint ones, whose width the detector goes by.
    Coarse(usize),
}

/// Blocks of the coarse readings, pixels along each side, and the least blocks along the shorter
/// side of a frame: fewer show no stars to speak of.
const COARSE_PX: [usize; 2] = [2, 4];
const LEAST_BLOCKS: usize = 100;
/// Least stars of a frame that may be one of half the sky.
const LEAST_FOR_WIDEST: usize = 12;
/// Least stars of a frame whose middle is looked at by itself: a quarter of them makes the patterns.
const LEAST_FOR_MIDDLE: usize = 4 * FIRST;
/// Stars wider than this (FWHM) fill several pixels.
const NARROW_PX: f64 = 2.0;
/// Stars wider than this are out of focus.
const WIDE_PX: f64 = 7.0;
/// This many of the first stars make the patterns.
const FIRST: usize = 30;
/// Stars closer than this are the same one, pixels.
const SAME_PX: f64 = 2.0;
/// Where more of the first stars than this are old ones, the search would go the same way again.
const MOST_OLD: f64 = 0.8;

impl Reading {
    /// The readings that may show other stars than `first`, those seen as the frame looks.
    /// Where the frame's own claims make it a wide one, the lenses come first.
    pub fn further(first: &Detections, claims_wide: bool) -> impl Iterator<Item = Reading> + use<> {
        let narrow = first.fwhm_px < NARROW_PX;
        let wide = first.fwhm_px > WIDE_PX && !first.mosaic;
        let middle = first.stars.len() >= LEAST_FOR_MIDDLE;
        let shorter = first.width.min(first.height);
        let coarse =
            COARSE_PX.map(|px| (shorter / px >= LEAST_BLOCKS).then_some(Reading::Coarse(px)));
        let widest = (first.stars.len() >= LEAST_FOR_WIDEST).then_some(Reading::WidestLenses);
        [
            widest.filter(|_| claims_wide),
            Some(Reading::On(first.background.other())),
            narrow.then_some(Reading::SinglePixels(first.background)),
            wide.then_some(Reading::OutOfFocus),
            has_points(first).then_some(Reading::WithoutPoints),
        ]
        .into_iter()
        .chain(coarse)
        .chain([
            widest.filter(|_| !claims_wide),
            middle.then_some(Reading::Middle),
        ])
        .flatten()
        .filter(|reading| switches::is_on(reading.code()))
    }

    /// Short name, the same in every version.
    pub fn code(self) -> &'static str {
        match self {
            Reading::AsItLooks => "as-it-looks",
            Reading::On(_) => "other-background",
            Reading::SinglePixels(_) => "single-pixels",
            Reading::OutOfFocus => "out-of-focus",
            Reading::Middle => "middle",
            Reading::WidestLenses => "widest-lenses",
            Reading::WithoutPoints => "without-points",
            Reading::Coarse(_) => "coarse",
        }
    }

    /// The background that it is read on; `None`: the one that suits the sky.
    pub(super) fn background(self) -> Option<Background> {
        match self {
            Reading::AsItLooks
            | Reading::WidestLenses
            | Reading::Middle
            | Reading::WithoutPoints
            | Reading::Coarse(_) => None,
            Reading::On(background) | Reading::SinglePixels(background) => Some(background),
            Reading::OutOfFocus => Some(Background::Plain),
        }
    }
}

/// Reads `frame` again; `None` where that shows nothing else than `first`, or the deadline passed.
pub fn detect_again(
    frame: &Frame,
    reading: Reading,
    first: &Detections,
    deadline: Deadline,
) -> Option<Detections> {
    if reading == Reading::WidestLenses {
        return Some(first.clone());
    }
    if reading == Reading::Middle {
        return Some(first.middle());
    }
    let other = detect_as(frame, reading, deadline)?;
    // A fine background without stars falls back on the plain one.
    let fell_back = matches!(reading, Reading::On(_)) && other.background == first.background;
    (!fell_back && differ(&other, first)).then_some(other)
}

/// Whether as many places look like hot pixels and tracks of particles as like stars. What is single in
/// a mosaic has neighbours of other colours, which tell nothing.
fn has_points(first: &Detections) -> bool {
    let pointed = [
        Refusal::SharpPeak,
        Refusal::Streak,
        Refusal::SteepCore,
        Refusal::Spike,
    ];
    let points = first.refused.iter().filter(|r| pointed.contains(&r.why));
    !first.mosaic && points.count() > first.stars.len()
}

/// Reads the frame without what is a pixel wide.
pub(super) fn detect_without_points(frame: &Frame, deadline: Deadline) -> Option<Detections> {
    let (width, height) = (frame.width, frame.height);
    let pixels = match &frame.pixels {
        Pixels::U8(data) => Pixels::U8(without_points(&Image::new(data, width, height))),
        Pixels::U16(data) => Pixels::U16(without_points(&Image::new(data, width, height))),
        Pixels::F32(data) => Pixels::F32(without_points(&Image::new(data, width, height))),
    };
    let without = Frame {
        pixels,
        path: frame.path.clone(),
        clues: frame.clues.clone(),
        ..*frame
    };
    detect_as(&without, Reading::AsItLooks, deadline)
}

/// Reads the frame in blocks.
pub(super) fn detect_coarse(
    frame: &Frame,
    block_px: usize,
    deadline: Deadline,
) -> Option<Detections> {
    let (width, height) = (frame.width / block_px, frame.height / block_px);
    let blocks = Frame {
        width,
        height,
        pixels: match &frame.pixels {
            Pixels::U8(data) => Pixels::U8(means(data, frame.width, block_px)),
            Pixels::U16(data) => Pixels::U16(means(data, frame.width, block_px)),
            Pixels::F32(data) => Pixels::F32(means(data, frame.width, block_px)),
        },
        // A block of two holds all colours of a mosaic.
        mosaic_stated: Some(false),
        path: frame.path.clone(),
        clues: frame.clues.clone(),
        ..*frame
    };
    let found = detect_as(&blocks, Reading::AsItLooks, deadline)?;
    Some(found.placed(block_px, [0.0; 2], [frame.width, frame.height]))
}

/// Means of whole blocks, of the type of the pixels, so that their noise is what rounding makes it.
fn means<P: Pixel>(data: &[P], width: usize, block_px: usize) -> Vec<P> {
    let image = Image::new(data, width, data.len() / width.max(1));
    let plane = Plane::binned(&image, block_px).0;
    plane.data.into_iter().map(P::of).collect()
}

/// Whether other stars come first.
fn differ(other: &Detections, first: &Detections) -> bool {
    let stars = &other.stars[..other.stars.len().min(FIRST)];
    let is_old = |star: &&Detection| {
        let mut firsts = first.stars.iter().take(2 * FIRST);
        firsts.any(|s| (s.x_px - star.x_px).hypot(s.y_px - star.y_px) < SAME_PX)
    };
    let old = stars.iter().filter(is_old).count();
    (old as f64) < MOST_OLD * stars.len() as f64
}
