//! The demonstration frames: one night at an invented remote observatory.
//!
//! Quernhollow, its instruments and its night never existed; the stars are real. During a storm
//! the power failed, and in the morning ten frames have lost their way.

use crate::{
    Card, Channels, Content, Error, Field, FieldSpec, Psf, Truth, render, write_atomically,
    write_field,
};
use serde::Serialize;
use std::path::Path;

/// The folder of the committed demonstration frames, in the source tree this was built from.
pub const FRAMES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/frames");

/// Mid-night of the story, 19 November 2025, as a Julian year.
const NIGHT: f64 = 2025.88;

/// One frame of the story.
#[derive(Debug, Clone)]
pub struct DemoFrame {
    /// File name.
    pub file: &'static str,
    /// What it shows.
    pub shows: &'static str,
    /// Commanded position that its header claims, J2000 degrees.
    pub commanded_deg: Option<[f64; 2]>,
    /// How it is rendered.
    pub spec: FieldSpec,
    /// Its header, where the format has one.
    pub cards: Vec<Card>,
}

impl DemoFrame {
    /// The pixels and the truth.
    ///
    /// # Errors
    /// As [`render`].
    pub fn render(&self) -> Result<Field, Error> {
        render(&self.spec)
    }
}

/// One entry of `truth.json`.
#[derive(Serialize)]
struct Entry<'a> {
    file: &'a str,
    shows: &'a str,
    status: &'static str,
    commanded_deg: Option<[f64; 2]>,
    #[serde(flatten)]
    truth: Truth,
}

/// All demonstration frames, in the order of the story.
pub fn demo_frames() -> Vec<DemoFrame> {
    vec![
        power_cut(),
        colour_mosaic(),
        guide_camera(),
        finder(),
        piggyback(),
        star_diagonal(),
        wide_lens(),
        pole(),
        zero_hours(),
        clouds(),
    ]
}

/// Renders every demonstration frame into `folder` with its `truth.json`.
///
/// # Errors
/// As [`render`] and [`write_field`]; files already written stay.
pub fn regenerate(folder: &Path) -> Result<(), Error> {
    std::fs::create_dir_all(folder).map_err(|cause| Error::Write {
        path: folder.to_owned(),
        cause,
    })?;
    let frames = demo_frames();
    let mut entries = Vec::with_capacity(frames.len());
    for frame in &frames {
        let field = frame.render()?;
        write_field(&folder.join(frame.file), &field, &frame.cards)?;
        entries.push(Entry {
            file: frame.file,
            shows: frame.shows,
            status: if frame.spec.content == Content::Sky {
                "solved"
            } else {
                "unsolved"
            },
            commanded_deg: frame.commanded_deg,
            truth: field.truth,
        });
    }
    let mut text = serde_json::to_string_pretty(&entries).map_err(|e| Error::Encode {
        format: "JSON",
        cause: e.to_string(),
    })?;
    text.push('\n');
    write_atomically(&folder.join("truth.json"), text.as_bytes())
}

/// What every frame of the night has in common.
fn of_the_night(ra_deg: f64, dec_deg: f64, width_deg: f64, seed: u64) -> FieldSpec {
    FieldSpec {
        width_px: 900,
        height_px: 600,
        epoch_year: NIGHT,
        magnitude_scatter: 0.15,
        psf: Psf::Moffat,
        hot_pixels: 12,
        vignetting: 0.08,
        seed,
        ..FieldSpec::new(ra_deg, dec_deg, width_deg)
    }
}

/// A frame's time and place as most capture computers note them.
fn time_and_site(time_utc: &str, exposure_s: f64) -> Vec<Card> {
    vec![
        Card::text("DATE-OBS", time_utc, "UTC, start of exposure"),
        Card::number("EXPTIME", format!("{exposure_s:.1}"), "s"),
        Card::text("OBSERVAT", "Quernhollow", "invented"),
        Card::number("SITELAT", "41.7312", "deg, north positive"),
        Card::number("SITELONG", "-3.4027", "deg, east positive"),
    ]
}

fn power_cut() -> DemoFrame {
    let spec = FieldSpec {
        width_px: 1200,
        height_px: 800,
        rotation_deg: 34.0,
        fwhm_px: 2.9,
        ..of_the_night(92.41, 23.78, 1.2, 101)
    };
    let mut cards = time_and_site("2025-11-19T01:42:17.250", 20.0);
    cards.extend([
        Card::text("TELESCOP", "Heron", "invented"),
        Card::text("OBJECT", "after the power cut", ""),
        Card::text("OBJCTRA", "06 38 12.0", "J2000, commanded"),
        Card::text("OBJCTDEC", "+27 21 00", "J2000, commanded"),
        Card::number("RA", "99.55", "deg, J2000, commanded"),
        Card::number("DEC", "27.35", "deg, J2000, commanded"),
        Card::number("EQUINOX", "2000.0", ""),
        Card::number("FOCALLEN", "430.0", "mm"),
        Card::number("XPIXSZ", "7.5", "um, binning included"),
        Card::number("YPIXSZ", "7.5", "um, binning included"),
        Card::number("XBINNING", 1, ""),
        Card::number("YBINNING", 1, ""),
    ]);
    DemoFrame {
        file: "01-power-cut.fits",
        shows: "16-bit FITS with a full header; the mount lost its place in a power cut and claims \
                a position 7.4 deg away",
        commanded_deg: Some([99.55, 27.35]),
        spec,
        cards,
    }
}

fn colour_mosaic() -> DemoFrame {
    let spec = FieldSpec {
        width_px: 1200,
        height_px: 800,
        rotation_deg: 181.5,
        fwhm_px: 3.4,
        channels: Channels::Mosaic,
        ..of_the_night(56.6, 24.3, 2.0, 102)
    };
    let mut cards = time_and_site("2025-11-19T00:05:41", 60.0);
    cards.extend([
        Card::text("RA", "03:48:00", "h m s, J2000, commanded"),
        Card::text("DEC", "+24:06:00", "d m s, J2000, commanded"),
        Card::number("EQUINOX", "2000.0", ""),
    ]);
    DemoFrame {
        file: "02-colour-mosaic.fits",
        shows: "FITS of a colour camera as read out, red, green and blue pixels side by side and \
                no keyword that says so; a cluster of bright, saturated stars",
        commanded_deg: Some([57.0, 24.1]),
        spec,
        cards,
    }
}

fn guide_camera() -> DemoFrame {
    let spec = FieldSpec {
        width_px: 800,
        height_px: 600,
        rotation_deg: 263.0,
        fwhm_px: 2.2,
        hot_pixels: 150,
        sky_adu: 400.0,
        ..of_the_night(11.3, 42.6, 1.5, 103)
    };
    DemoFrame {
        file: "03-guide-camera.fits.gz",
        shows: "gzip-compressed FITS of a guide camera: an empty header and many hot pixels",
        commanded_deg: None,
        spec,
        cards: Vec::new(),
    }
}

fn finder() -> DemoFrame {
    let spec = FieldSpec {
        top_down: true,
        rotation_deg: 12.0,
        sky_adu: 300.0,
        ..of_the_night(130.1, 19.9, 5.0, 104)
    };
    DemoFrame {
        file: "04-finder.png",
        shows: "16-bit PNG of a finder camera, 5 deg wide",
        commanded_deg: None,
        spec,
        cards: Vec::new(),
    }
}

fn piggyback() -> DemoFrame {
    let spec = FieldSpec {
        width_px: 1350,
        top_down: true,
        height_px: 900,
        rotation_deg: 301.0,
        channels: Channels::Rgb,
        vignetting: 0.2,
        k1: -0.001,
        ..of_the_night(34.8, 56.9, 10.0, 105)
    };
    DemoFrame {
        file: "05-piggyback.jpg",
        shows: "stretched colour JPEG through a short telephoto lens, 10 deg wide",
        commanded_deg: None,
        spec,
        cards: Vec::new(),
    }
}

fn star_diagonal() -> DemoFrame {
    let spec = FieldSpec {
        top_down: true,
        mirrored: true,
        rotation_deg: 77.0,
        fwhm_px: 3.1,
        ..of_the_night(100.4, 9.6, 1.8, 106)
    };
    DemoFrame {
        file: "06-star-diagonal.tif",
        shows: "16-bit TIFF through a mirror: left and right exchanged",
        commanded_deg: None,
        spec,
        cards: Vec::new(),
    }
}

fn wide_lens() -> DemoFrame {
    let spec = FieldSpec {
        width_px: 1500,
        height_px: 1000,
        top_down: true,
        rotation_deg: 348.0,
        fwhm_px: 2.4,
        channels: Channels::Rgb,
        vignetting: 0.35,
        k1: -0.004,
        ..of_the_night(83.0, 2.0, 45.0, 107)
    };
    DemoFrame {
        file: "07-wide-lens.jpg",
        shows: "stretched colour JPEG of 45 deg through a wide lens with a little barrel distortion",
        commanded_deg: None,
        spec,
        cards: Vec::new(),
    }
}

fn pole() -> DemoFrame {
    let spec = FieldSpec {
        rotation_deg: 145.0,
        ..of_the_night(41.0, 89.55, 3.0, 108)
    };
    let mut cards = time_and_site("2025-11-18T19:20:03", 15.0);
    cards.extend([
        Card::number("RA", "0.0", "deg, J2000, commanded"),
        Card::number("DEC", "90.0", "deg, J2000, commanded"),
        Card::number("EQUINOX", "2000.0", ""),
    ]);
    DemoFrame {
        file: "08-pole.fits",
        shows: "FITS with the celestial pole in the field, where right ascensions crowd together",
        commanded_deg: Some([0.0, 90.0]),
        spec,
        cards,
    }
}

fn zero_hours() -> DemoFrame {
    let spec = FieldSpec {
        rotation_deg: 92.0,
        ..of_the_night(0.12, -4.3, 2.5, 109)
    };
    let mut cards = time_and_site("2025-11-18T20:11:55", 30.0);
    cards.extend([
        Card::text("OBJCTRA", "23 58 24", "J2000, commanded"),
        Card::text("OBJCTDEC", "-04 06 00", "J2000, commanded"),
        Card::number("EQUINOX", "2000.0", ""),
    ]);
    DemoFrame {
        file: "09-across-zero-hours.fits",
        shows: "FITS across right ascension zero: found on one side, commanded on the other",
        commanded_deg: Some([359.6, -4.1]),
        spec,
        cards,
    }
}

fn clouds() -> DemoFrame {
    let spec = FieldSpec {
        content: Content::Starless,
        hot_pixels: 60,
        sky_adu: 1500.0,
        ..of_the_night(99.55, 27.35, 1.8, 110)
    };
    let mut cards = time_and_site("2025-11-19T03:31:09", 20.0);
    cards.extend([
        Card::number("RA", "99.55", "deg, J2000, commanded"),
        Card::number("DEC", "27.35", "deg, J2000, commanded"),
        Card::number("EQUINOX", "2000.0", ""),
    ]);
    DemoFrame {
        file: "10-clouds.fits",
        shows: "clouds and hot pixels, no star: nothing may be found here",
        commanded_deg: Some([99.55, 27.35]),
        spec,
        cards,
    }
}
