//! `sample-fields`: renders the demonstration frames, or a field of one's own.

use anyhow::Context;
use clap::{Args, Parser, Subcommand};
use sample_fields::{Channels, Content, FieldSpec, Psf};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Renders frames of the real night sky with known truth.
#[derive(Parser)]
#[command(version, about)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Renders the demonstration frames and their truth.json again: the same bytes every time.
    Regenerate {
        /// Where to put them.
        #[arg(long, default_value = sample_fields::FRAMES)]
        folder: PathBuf,
    },
    /// Renders one field and prints its truth as JSON.
    Render(Render),
    /// Starts an observatory to rehearse in: a mount and a camera on an INDI server.
    Observatory(Rehearsal),
}

#[derive(Args)]
struct Render {
    /// Right ascension of the middle, ICRS degrees.
    #[arg(long, value_name = "DEG")]
    ra: f64,
    /// Declination of the middle, ICRS degrees.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    dec: f64,
    /// Field width, degrees.
    #[arg(long, value_name = "DEG")]
    width: f64,
    /// The file to write: .fits, .fits.gz, .png, .tif or .jpg.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Size in pixels.
    #[arg(long, default_value = "1200x800", value_parser = size, value_name = "WIDTHxHEIGHT")]
    size: (usize, usize),
    /// Position angle of 'up' on the displayed frame, degrees.
    #[arg(
        long,
        default_value_t = 0.0,
        allow_negative_numbers = true,
        value_name = "DEG"
    )]
    rotation: f64,
    /// Exchange left and right.
    #[arg(long)]
    mirrored: bool,
    /// Star width at half height, pixels.
    #[arg(long, default_value_t = 2.6, value_name = "PX")]
    fwhm: f64,
    /// Star images with wings.
    #[arg(long)]
    wings: bool,
    /// Leave out the stars that the catalogue lacks.
    #[arg(long)]
    no_faint_stars: bool,
    /// Change each star's magnitude by this much (standard deviation).
    #[arg(long, default_value_t = 0.0, value_name = "MAG")]
    magnitude_scatter: f64,
    /// Shift of a star at half the width, outward, as a share of its distance.
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    k1: f64,
    /// Julian year of the exposure.
    #[arg(long, default_value_t = 2000.0, value_name = "YEAR")]
    epoch: f64,
    /// Colour, three values per pixel.
    #[arg(long, conflicts_with = "mosaic")]
    colour: bool,
    /// Colour mosaic, one value per pixel.
    #[arg(long)]
    mosaic: bool,
    /// The stars' brightnesses at random places.
    #[arg(long, conflicts_with = "starless")]
    scrambled: bool,
    /// Clouds only.
    #[arg(long)]
    starless: bool,
    /// Same seed, same frame.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

#[derive(Args)]
struct Rehearsal {
    /// TCP port of the server.
    #[arg(long, default_value_t = 7624)]
    port: u16,
    /// Latitude of the observatory, degrees.
    #[arg(
        long,
        default_value_t = 48.0,
        allow_negative_numbers = true,
        value_name = "DEG"
    )]
    latitude: f64,
    /// Longitude of the observatory, to the east, degrees.
    #[arg(
        long,
        default_value_t = 11.0,
        allow_negative_numbers = true,
        value_name = "DEG"
    )]
    longitude: f64,
    /// The mount does not turn over at the meridian.
    #[arg(long)]
    fork: bool,
    /// Width of the camera's field, degrees.
    #[arg(long, default_value_t = 2.0, value_name = "DEG")]
    width: f64,
    /// The tube is turned about the polar axis by this, unknown to the mount.
    #[arg(
        long,
        default_value_t = 12.0,
        allow_negative_numbers = true,
        value_name = "DEG"
    )]
    index_hour: f64,
    /// The tube is turned about the declination axis by this, unknown to the mount.
    #[arg(long, default_value_t = -9.0, allow_negative_numbers = true, value_name = "DEG")]
    index_dec: f64,
    /// The tube leans against the declination axis.
    #[arg(
        long,
        default_value_t = 0.2,
        allow_negative_numbers = true,
        value_name = "DEG"
    )]
    cone: f64,
    /// The polar axis stands too high.
    #[arg(
        long,
        default_value_t = 0.3,
        allow_negative_numbers = true,
        value_name = "DEG"
    )]
    pole_altitude: f64,
    /// The polar axis stands too far east.
    #[arg(long, default_value_t = -0.2, allow_negative_numbers = true, value_name = "DEG")]
    pole_azimuth: f64,
    /// Share of each motion that a slipping clutch loses, both axes, 0 to 1.
    #[arg(long, default_value_t = 0.0, value_name = "SHARE")]
    slip: f64,
}

impl Rehearsal {
    fn run(&self) -> anyhow::Result<()> {
        use sample_fields::observatory::{CAMERA, Faults, MOUNT, Observatory, Setup};
        let setup = Setup {
            port: self.port,
            latitude_deg: Some(self.latitude),
            longitude_deg: self.longitude,
            is_german: !self.fork,
            field_deg: self.width,
            faults: Faults {
                index_hour_deg: self.index_hour,
                index_dec_deg: self.index_dec,
                cone_deg: self.cone,
                pole_altitude_deg: self.pole_altitude,
                pole_azimuth_deg: self.pole_azimuth,
                slip_hour: self.slip,
                slip_dec: self.slip,
            },
            ..Setup::default()
        };
        let mut observatory = Observatory::start(&setup, &std::env::current_exe()?)?;
        let server = format!("indi://localhost:{}", self.port);
        println!(
            "The observatory is open until Ctrl-C. Nothing real moves. In another terminal:\n"
        );
        println!("    nightfix centre \"M 81\" --mount \"{server}/{MOUNT}\" \\");
        println!("        --camera \"{server}/{CAMERA}\" --sync --move");
        let is_over = Arc::new(AtomicBool::new(false));
        let ask = Arc::clone(&is_over);
        ctrlc::set_handler(move || ask.store(true, Ordering::Relaxed))?;
        while observatory.is_open() && !is_over.load(Ordering::Relaxed) {
            std::thread::sleep(Duration::from_millis(100));
        }
        Ok(())
    }
}

fn size(text: &str) -> Result<(usize, usize), String> {
    let parsed = text
        .split_once(['x', 'X'])
        .and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)));
    parsed.ok_or_else(|| "give it as 1200x800".into())
}

impl Render {
    fn spec(&self) -> FieldSpec {
        let name = self.out.to_string_lossy().to_lowercase();
        let fits = [".fits", ".fit", ".fts", ".gz"]
            .iter()
            .any(|e| name.ends_with(e));
        FieldSpec {
            width_px: self.size.0,
            height_px: self.size.1,
            rotation_deg: self.rotation,
            mirrored: self.mirrored,
            top_down: !fits,
            fwhm_px: self.fwhm,
            psf: if self.wings {
                Psf::Moffat
            } else {
                Psf::Gaussian
            },
            faint_stars: !self.no_faint_stars,
            magnitude_scatter: self.magnitude_scatter,
            k1: self.k1,
            epoch_year: self.epoch,
            channels: match (self.colour, self.mosaic) {
                (true, _) => Channels::Rgb,
                (_, true) => Channels::Mosaic,
                _ => Channels::Mono,
            },
            content: match (self.scrambled, self.starless) {
                (true, _) => Content::Scrambled,
                (_, true) => Content::Starless,
                _ => Content::Sky,
            },
            seed: self.seed,
            ..FieldSpec::new(self.ra, self.dec, self.width)
        }
    }
}

fn run(cli: &Cli) -> anyhow::Result<()> {
    match &cli.command {
        Command::Regenerate { folder } => {
            sample_fields::regenerate(folder).context("the demonstration frames could not be made")
        }
        Command::Observatory(rehearsal) => rehearsal.run(),
        Command::Render(request) => {
            let field = sample_fields::render(&request.spec())?;
            sample_fields::write_field(&request.out, &field, &[])?;
            println!("{}", serde_json::to_string_pretty(&field.truth)?);
            Ok(())
        }
    }
}

fn main() -> ExitCode {
    if let Some(code) = sample_fields::observatory::camera_if_asked() {
        return code;
    }
    match run(&Cli::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("sample-fields: {error:#}");
            ExitCode::FAILURE
        }
    }
}
