//! Options of `nightfix polar`.

use crate::cli::known::{KnownArgs, picture};
use crate::cli::status;
use crate::frame::Site;
use crate::polar::Pole;
use clap::builder::{PathBufValueParser, TypedValueParser};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// What `--pole` takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PoleOption {
    /// The end of the Earth's axis
    True,
    /// Where the air shows it: up to an arcminute and more higher
    Refracted,
}

impl From<PoleOption> for Pole {
    fn from(option: PoleOption) -> Pole {
        match option {
            PoleOption::True => Pole::True,
            PoleOption::Refracted => Pole::Refracted,
        }
    }
}

/// Say how far the polar axis of a mount is off, and which screw to turn.
///
/// Take two frames or more, and between them turn the RA axis alone, by 30 degrees or more in all;
/// tracking may be on or off. A third frame checks that nothing else moved. Times come from the
/// headers. Then turn the screws, take another frame without moving the RA axis, and give it with
/// --adjusted.
#[derive(Debug, Args)]
#[command(after_long_help = status::HELP)]
pub struct PolarArgs {
    /// The frames, two or more
    #[arg(value_name = "FRAME", required = true)]
    pub frames: Vec<PathBuf>,

    /// A frame taken after the screws were turned: what is left is said
    #[arg(long, value_name = "FRAME")]
    pub adjusted: Option<PathBuf>,

    /// Latitude and longitude of the mount, degrees, north and east positive [default: the header's]
    #[arg(long, value_name = "LAT LON", value_parser = site, allow_hyphen_values = true)]
    pub site: Option<Site>,

    /// Pressure of the air at the site, for refraction; 0 takes it out [default: 1013.25]
    #[arg(long, value_name = "HPA", value_parser = pressure)]
    pub pressure: Option<f64>,

    /// Temperature of the air, for refraction [default: 10]
    #[arg(long, value_name = "C", value_parser = temperature, allow_hyphen_values = true)]
    pub temperature: Option<f64>,

    /// From which pole errors count
    #[arg(long, value_name = "POLE", default_value = "true")]
    pub pole: PoleOption,

    /// Draw axis, pole, the turns of the screws and the fields of the frames: .png or .jpg
    #[arg(long, value_name = "FILE", value_parser = PathBufValueParser::new().try_map(picture))]
    pub picture: Option<PathBuf>,

    /// Print one JSON object instead of text
    #[arg(long)]
    pub json: bool,

    #[command(flatten)]
    pub known: KnownArgs,
}

fn site(text: &str) -> Result<Site, String> {
    let numbers: Vec<f64> = text
        .split([' ', ','])
        .filter(|part| !part.is_empty())
        .map_while(|part| part.parse().ok())
        .collect();
    match numbers[..] {
        [latitude_deg, longitude_deg]
            if (-90.0..=90.0).contains(&latitude_deg)
                && (-360.0..=360.0).contains(&longitude_deg) =>
        {
            Ok(Site {
                longitude_deg,
                latitude_deg,
            })
        }
        _ => Err(
            "write latitude and longitude in degrees: \"47.4 8.5\", south and west \
                  negative"
                .into(),
        ),
    }
}

fn within(text: &str, range: std::ops::RangeInclusive<f64>) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if range.contains(&value) => Ok(value),
        _ => Err(format!(
            "a number from {} to {} is needed here",
            range.start(),
            range.end()
        )),
    }
}

fn pressure(text: &str) -> Result<f64, String> {
    within(text, 0.0..=1100.0)
}

fn temperature(text: &str) -> Result<f64, String> {
    within(text, -80.0..=60.0)
}
