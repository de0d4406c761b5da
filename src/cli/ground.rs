//! The options that say where the mount stands, and in what air: the same for every command that
//! judges its axis.

use crate::frame::Site;
use crate::polar::{Conditions, Pole};
use clap::{Args, ValueEnum};

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

/// Where the mount stands.
#[derive(Debug, Args)]
pub struct GroundArgs {
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
}

impl GroundArgs {
    /// The same for the library.
    pub fn conditions(&self) -> Conditions {
        Conditions {
            site: self.site,
            pressure_hpa: self.pressure,
            air_c: self.temperature,
            pole: self.pole.into(),
        }
    }
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
