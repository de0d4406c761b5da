//! An observatory to rehearse in: a real server, the telescope simulator and our own camera.

use crate::run::{Random, nightfix, stderr, stdout};
use nightfix::frame::Site;
use nightfix::indi::{Connection, State, Waited, numbers, switches};
use nightfix::mount::{Moment, altitude_of_deg, separation_deg};
use sample_fields::observatory::{CAMERA, Faults, MOUNT, Observatory, Setup};
use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, SystemTime};

pub const WAIT: Duration = Duration::from_secs(5);

/// A server on a port of its own.
pub struct Rehearsal {
    pub observatory: Option<Observatory>,
    pub setup: Setup,
    pub folder: tempfile::TempDir,
}

/// The program that holds the camera driver: beside the tests, built where it is missing.
fn driver() -> PathBuf {
    let tests = std::env::current_exe().expect("a name");
    let folder = tests
        .parent()
        .and_then(|deps| deps.parent())
        .expect("a target folder");
    let driver = folder.join("sample-fields");
    if !driver.exists() {
        let mut build = Command::new(env!("CARGO"));
        build.args(["build", "-p", "sample-fields"]);
        if folder.ends_with("release") {
            build.arg("--release");
        }
        assert!(build.status().expect("cargo runs").success());
    }
    driver
}

/// A port that nobody listens at and no other test of this process is given: one that the system
/// chooses may be chosen again before the server has it.
fn free_port() -> u16 {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    loop {
        let number = std::process::id() * 101 + NEXT.fetch_add(1, Ordering::Relaxed);
        // Above the registered services that a computer may run, below what systems choose from.
        let port = 20_000 + (number % 12_000) as u16;
        if TcpListener::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
}

impl Rehearsal {
    /// `None`: there is no server on this computer.
    pub fn new(setup: Setup) -> Option<Rehearsal> {
        if Command::new("indiserver").arg("--help").output().is_err() {
            eprintln!("\nskipped: centring, since indiserver is not installed (Debian: indi-bin)");
            return None;
        }
        // Another process may take a port right after it was found free.
        let started = (0..3).find_map(|_| {
            let setup = Setup {
                port: free_port(),
                ..setup.clone()
            };
            let observatory = Observatory::start(&setup, &driver());
            let report = |fault| eprintln!("port {}: {fault}", setup.port);
            Some((observatory.map_err(report).ok()?, setup))
        });
        let (observatory, setup) = started.expect("the observatory opens");
        Some(Rehearsal {
            observatory: Some(observatory),
            setup,
            folder: tempfile::tempdir().expect("a folder"),
        })
    }

    pub fn device(&self, name: &str) -> String {
        format!("indi://127.0.0.1:{}/{name}", self.setup.port)
    }

    pub fn connect(&self, name: &str) -> Connection {
        let address = self.device(name).parse().expect("an address");
        Connection::open(&address, false).expect("the device answers")
    }

    pub fn command(&self, target: &str, more: &[&str]) -> Command {
        let mut command = nightfix();
        command
            .args([
                "centre",
                target,
                "--mount",
                &self.device(MOUNT),
                "--camera",
                &self.device(CAMERA),
            ])
            .args(["--exposure", "0.1", "--settle", "0.3", "--log"])
            .arg(self.folder.path().join("commands.log"))
            .args(more);
        command
    }

    pub fn centre(&self, target: &str, more: &[&str]) -> Output {
        self.command(target, more)
            .output()
            .expect("the command starts")
    }

    /// Where the tube really looks, ICRS.
    pub fn truth(&self) -> [f64; 2] {
        let camera = self.connect(CAMERA);
        let tube = camera.wait(WAIT, |p| {
            Some([p.number("TUBE", "RA")?, p.number("TUBE", "DEC")?])
        });
        let Ok(Waited::Found(tube)) = tube else {
            panic!("the camera does not say where the tube looks");
        };
        tube
    }

    /// Turns the tube by hand.
    pub fn place(&self, icrs_deg: [f64; 2]) {
        let mut camera = self.connect(CAMERA);
        let place = numbers(CAMERA, "TUBE", &[("RA", icrs_deg[0]), ("DEC", icrs_deg[1])]);
        camera.send(&place).expect("sent");
        std::thread::sleep(Duration::from_millis(200));
    }

    pub fn set(&self, device: &str, name: &str, member: &str) {
        self.connect(device)
            .send(&switches(device, name, &[(member, true)]))
            .expect("sent");
        std::thread::sleep(Duration::from_millis(300));
    }

    pub fn is_moving(&self) -> bool {
        let mount = self.connect(MOUNT);
        let state = mount.wait(WAIT, |p| p.state("EQUATORIAL_EOD_COORD"));
        let Ok(Waited::Found(state)) = state else {
            panic!("the mount does not say whether it moves");
        };
        state == State::Busy
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("commands.log")).unwrap_or_default()
    }
}

pub fn text(position_deg: [f64; 2]) -> String {
    format!("{:.6} {:.6}", position_deg[0], position_deg[1])
}

pub fn both(output: &Output) -> String {
    stdout(output) + &stderr(output)
}

pub fn moment() -> Moment {
    let since = SystemTime::now()
        .duration_since(SystemTime::UNIX_EPOCH)
        .expect("after 1970");
    Moment::from_jd_utc(2_440_587.5 + since.as_secs_f64() / 86_400.0).expect("a date")
}

/// The tests run at any time of day: at a longitude where it is midnight now.
pub fn night() -> Setup {
    let hours = (moment().jd_utc() + 0.5).fract() * 24.0;
    Setup {
        longitude_deg: (-15.0 * hours).rem_euclid(360.0),
        faults: Faults {
            cone_deg: 0.2,
            pole_altitude_deg: 0.3,
            pole_azimuth_deg: -0.2,
            ..Faults::default()
        },
        ..Setup::default()
    }
}

/// A place that stands at least this high.
pub fn place_above(setup: &Setup, least_deg: f64, random: &mut Random) -> [f64; 2] {
    let site = Site {
        longitude_deg: setup.longitude_deg,
        latitude_deg: setup.latitude_deg.expect("a site"),
    };
    loop {
        let place = [
            360.0 * random.next(),
            (2.0 * random.next() - 1.0).asin().to_degrees(),
        ];
        if altitude_of_deg(&moment(), &site, place) > least_deg {
            return place;
        }
    }
}

/// Where the mount takes itself to be.
pub fn believed(rehearsal: &Rehearsal) -> [f64; 2] {
    let mount = rehearsal.connect(MOUNT);
    let numbers = mount.wait(WAIT, |p| {
        Some([
            15.0 * p.number("EQUATORIAL_EOD_COORD", "RA")?,
            p.number("EQUATORIAL_EOD_COORD", "DEC")?,
        ])
    });
    let Ok(Waited::Found([ra, dec])) = numbers else {
        panic!("the mount does not say where it is");
    };
    moment().date_to_icrs(ra, dec)
}

/// What it took to centre a target.
pub struct Centred {
    pub slews: u64,
    /// From each frame to the next command, seconds.
    pub thoughts_s: Vec<f64>,
}

/// One target from one initial error of up to 60 degrees; `None`: not centred.
pub fn one_target(
    rehearsal: &Rehearsal,
    random: &mut Random,
    failures: &mut Vec<String>,
) -> Option<Centred> {
    let believed = believed(rehearsal);
    let start = loop {
        let start = place_above(&rehearsal.setup, 15.0, random);
        if separation_deg(start, believed) < 60.0 {
            break start;
        }
    };
    let target = place_above(&rehearsal.setup, 20.0, random);
    rehearsal.place(start);
    let output = rehearsal.centre(
        &text(target),
        &["--sync", "--move", "--tries", "3", "--json"],
    );
    let off_arcmin = separation_deg(rehearsal.truth(), target) * 60.0;
    let said = both(&output);
    if output.status.code() != Some(0) {
        failures.push(format!(
            "{target:?} from {start:?}, believed {believed:?}: {said}"
        ));
        return None;
    }
    // 2 % of the narrower side (1.33 deg) are 1.6 arcmin; the rest is the time since the frame.
    assert!(
        off_arcmin < 1.8,
        "{off_arcmin} arcmin off {target:?}, and said to be centred:\n{said}"
    );
    let record: serde_json::Value = serde_json::from_str(stdout(&output).trim()).expect("JSON");
    let tries = record["tries"].as_array().expect("tries");
    Some(Centred {
        slews: record["slews"].as_u64().expect("a number"),
        thoughts_s: (tries.iter().filter_map(|tried| tried["thought_s"].as_f64())).collect(),
    })
}
