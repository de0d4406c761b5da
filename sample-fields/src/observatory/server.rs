//! Starts the server with the mount and the camera, and sets the mount up.

use super::tube::Faults;
use anyhow::{Context, bail};
use serde::{Deserialize, Serialize};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// The mount's name on the server.
pub const MOUNT: &str = "Telescope Simulator";
/// The camera's name on the server.
pub const CAMERA: &str = "Rehearsal Camera";
/// Has this program act as the camera driver; holds a [`Setup`] as JSON.
pub(super) const DRIVER_VARIABLE: &str = "SAMPLE_FIELDS_CAMERA";

/// The observatory.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Setup {
    /// TCP port of the server.
    pub port: u16,
    /// Latitude, degrees; `None`: the mount is told no site.
    pub latitude_deg: Option<f64>,
    /// Longitude to the east, degrees.
    pub longitude_deg: f64,
    /// A mount that turns over at the meridian.
    pub is_german: bool,
    /// Width of the camera's field, degrees.
    pub field_deg: f64,
    /// Pixels in a row.
    pub width_px: usize,
    /// Rows.
    pub height_px: usize,
    /// Position angle of 'up', degrees.
    pub rotation_deg: f64,
    /// What is wrong with the mount.
    pub faults: Faults,
}

impl Default for Setup {
    fn default() -> Setup {
        Setup {
            port: 7624,
            latitude_deg: Some(48.0),
            longitude_deg: 11.0,
            is_german: true,
            field_deg: 2.0,
            width_px: 900,
            height_px: 600,
            rotation_deg: 17.0,
            faults: Faults::default(),
        }
    }
}

impl Setup {
    /// The focal length, mm, with which pixels of this size (micrometres) span the field.
    pub fn focal_mm(&self, pixel_um: f64) -> f64 {
        let half_mm = 0.5 * self.width_px as f64 * pixel_um / 1000.0;
        half_mm / libm::tan(0.5 * self.field_deg.to_radians())
    }
}

/// A server that runs; it ends with this value.
pub struct Observatory {
    server: Child,
    /// Settings of the simulator, and nobody else's.
    _home: tempfile::TempDir,
}

impl Observatory {
    /// Starts the server with the simulator and with `driver` (this program) as the camera.
    ///
    /// # Errors
    /// `indiserver` is not installed, the port is taken, or the mount does not answer.
    pub fn start(setup: &Setup, driver: &Path) -> anyhow::Result<Observatory> {
        let home = tempfile::tempdir().context("a folder for the simulator's settings")?;
        if TcpStream::connect(("127.0.0.1", setup.port)).is_ok() {
            bail!(
                "port {} is taken: end what uses it, or choose another by --port",
                setup.port
            );
        }
        let socket: PathBuf = home.path().join("socket");
        let mut command = Command::new("indiserver");
        command.args(["-p", &setup.port.to_string(), "-r", "0"]);
        // Servers from 1.9.9 on have a local socket too, one for all servers by default.
        let help = Command::new("indiserver").arg("--help").output();
        let help = help.context("indiserver does not start: install it (Debian: indi-bin)")?;
        if String::from_utf8_lossy(&help.stderr).contains("-u path") {
            command.arg("-u").arg(&socket);
        }
        let server = command
            .arg("indi_simulator_telescope")
            .arg(driver)
            .env("HOME", home.path())
            .env(DRIVER_VARIABLE, serde_json::to_string(setup)?)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .context("indiserver does not start: install it (Debian: indi-bin)")?;
        let observatory = Observatory {
            server,
            _home: home,
        };
        prepare(setup).context("the mount was not set up")?;
        Ok(observatory)
    }

    /// False once the server has ended.
    pub fn is_open(&mut self) -> bool {
        matches!(self.server.try_wait(), Ok(None))
    }
}

impl Drop for Observatory {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

/// Connects the mount and tells it what it is and where it stands.
fn prepare(setup: &Setup) -> anyhow::Result<()> {
    let begin = Instant::now();
    let mut stream = loop {
        match TcpStream::connect(("127.0.0.1", setup.port)) {
            Ok(stream) => break stream,
            Err(refusal) if begin.elapsed() > Duration::from_secs(10) => return Err(refusal.into()),
            Err(_) => std::thread::sleep(Duration::from_millis(50)),
        }
    };
    stream.set_read_timeout(Some(Duration::from_millis(200)))?;
    // A server hands commands on only to devices that it has met.
    write!(
        stream,
        "<getProperties version=\"1.7\" device=\"{MOUNT}\"/>"
    )?;
    heard(&mut stream, "name=\"MOUNT_TYPE\"")?;
    let kind = if setup.is_german { "EQ_GEM" } else { "EQ_FORK" };
    for (name, member) in [("MOUNT_TYPE", kind), ("CONNECTION", "CONNECT")] {
        write!(
            stream,
            "<newSwitchVector device=\"{MOUNT}\" name=\"{name}\"><oneSwitch name=\"{member}\">On</oneSwitch></newSwitchVector>"
        )?;
    }
    heard(&mut stream, "name=\"GEOGRAPHIC_COORD\"")?;
    if let Some(latitude) = setup.latitude_deg {
        let longitude = setup.longitude_deg.rem_euclid(360.0);
        write!(
            stream,
            "<newNumberVector device=\"{MOUNT}\" name=\"GEOGRAPHIC_COORD\"><oneNumber name=\"LAT\">{latitude}</oneNumber><oneNumber name=\"LONG\">{longitude}</oneNumber><oneNumber name=\"ELEV\">500</oneNumber></newNumberVector>"
        )?;
        heard(
            &mut stream,
            "<setNumberVector device=\"Telescope Simulator\" name=\"GEOGRAPHIC_COORD\" state=\"Ok\"",
        )?;
    }
    Ok(())
}

/// Reads on until the server says this.
fn heard(stream: &mut TcpStream, wanted: &str) -> anyhow::Result<()> {
    let begin = Instant::now();
    let (mut said, mut piece) = (Vec::new(), [0; 4096]);
    while begin.elapsed() < Duration::from_secs(10) {
        if let Ok(count) = stream.read(&mut piece) {
            said.extend_from_slice(&piece[..count]);
            if String::from_utf8_lossy(&said).contains(wanted) {
                return Ok(());
            }
        }
    }
    bail!("the simulator does not answer")
}
