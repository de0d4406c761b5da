//! The camera driver: INDI on standard input and output, as a server starts it.

use super::server::{CAMERA, DRIVER_VARIABLE, MOUNT, Setup};
use super::sky::date_to_icrs;
use super::tube::{Faults, Tube};
use super::wire::{Incoming, read_all, vector};
use crate::{Card, Content, FieldSpec, fits_bytes, render};
use base64::Engine;
use std::io::Write;
use std::process::ExitCode;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Julian date now.
fn now_jd() -> f64 {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    2_440_587.5 + since.as_secs_f64() / 86_400.0
}

/// Runs the camera driver where a server has started this program as one.
pub fn camera_if_asked() -> Option<ExitCode> {
    let setup = std::env::var(DRIVER_VARIABLE).ok()?;
    let setup: Setup = serde_json::from_str(&setup).unwrap_or_default();
    let camera = Arc::new(Mutex::new(Camera {
        tube: Tube::new(setup.faults),
        setup,
        is_syncing: false,
        reported_deg: None,
        exposure: 0,
        is_compressed: false,
        ailment: String::from("NONE"),
    }));
    say(&format!(
        "<getProperties version=\"1.7\" device=\"{MOUNT}\"/>\n"
    ));
    read_all(std::io::stdin().lock(), |message| heed(&camera, &message));
    Some(ExitCode::SUCCESS)
}

struct Camera {
    setup: Setup,
    tube: Tube,
    /// The mount takes the next position for a sync.
    is_syncing: bool,
    /// Where the mount reports to be, of date, degrees.
    reported_deg: Option<[f64; 2]>,
    /// Number of the exposure that runs; another one, and it is void.
    exposure: u64,
    is_compressed: bool,
    /// What is wrong with the camera, one of [`AILMENTS`].
    ailment: String,
}

/// Side of a pixel, micrometres.
const PIXEL_UM: f64 = 6.0;

/// Healthy, sends half a frame, never ends an exposure, sees clouds.
const AILMENTS: [&str; 4] = ["NONE", "CUT_FRAMES", "NO_FRAMES", "CLOUDS"];

fn locked(camera: &Mutex<Camera>) -> MutexGuard<'_, Camera> {
    camera.lock().unwrap_or_else(PoisonError::into_inner)
}

fn say(xml: &str) {
    let mut out = std::io::stdout().lock();
    // A server that is gone closes standard input as well, which ends the driver.
    let _ = out.write_all(xml.as_bytes()).and_then(|()| out.flush());
}

fn heed(camera: &Arc<Mutex<Camera>>, message: &Incoming) {
    if message.device == MOUNT {
        listen(&mut locked(camera), message);
    } else if message.tag == "getProperties" {
        say(&describe(&locked(camera)));
    } else if message.device == CAMERA {
        obey(camera, message);
    }
}

/// What the mount says.
fn listen(camera: &mut Camera, message: &Incoming) {
    match message.name.as_str() {
        "ON_COORD_SET" => camera.is_syncing = message.is_on("SYNC"),
        "GEOGRAPHIC_COORD" => {
            if let (Some(lat), Some(long)) = (message.number("LAT"), message.number("LONG")) {
                camera.tube.set_site(lat, long);
            }
        }
        "EQUATORIAL_EOD_COORD" if message.tag.starts_with("set") => {
            let Some((ra, dec)) = message.number("RA").zip(message.number("DEC")) else {
                return;
            };
            let date_deg = [ra * 15.0, dec];
            camera.reported_deg = Some(date_deg);
            // A sync shows here at once, in the counters only at their next report, when the mount
            // may be on its way already.
            if camera.is_syncing {
                let is_german = camera.setup.is_german;
                camera.tube.counters_set(now_jd(), date_deg, is_german);
            }
        }
        // Before the mount is connected its axes are those of no sky.
        "MOUNT_AXES" if message.tag.starts_with("set") => {
            if let (Some(p), Some(s)) = (message.number("PRIMARY"), message.number("SECONDARY")) {
                let is_sync = camera.is_syncing;
                camera.tube.follow([p, s], is_sync);
            }
        }
        _ => {}
    }
}

/// What a client asks.
fn obey(camera: &Arc<Mutex<Camera>>, message: &Incoming) {
    let mut held = locked(camera);
    let number = |name: &str| message.number(name);
    match message.name.as_str() {
        "CCD_EXPOSURE" => {
            held.exposure += 1;
            let seconds = number("CCD_EXPOSURE_VALUE")
                .unwrap_or(1.0)
                .clamp(0.0, 3600.0);
            say(&exposure("set", "Busy", seconds));
            let (camera, run) = (Arc::clone(camera), held.exposure);
            std::thread::spawn(move || expose(&camera, run, seconds));
        }
        "CCD_ABORT_EXPOSURE" => {
            held.exposure += 1;
            say(&exposure("set", "Idle", 0.0));
        }
        "CCD_COMPRESSION" => {
            held.is_compressed = message.is_on("CCD_COMPRESS");
            say(&compression("set", &held));
        }
        "AILMENT" => {
            let on = AILMENTS.iter().find(|name| message.is_on(name));
            held.ailment = (*on.unwrap_or(&"NONE")).to_owned();
            say(&ailment("set", &held));
        }
        "TUBE" => {
            if let (Some(ra), Some(dec)) = (number("RA"), number("DEC")) {
                held.tube.place([ra, dec], now_jd());
            }
            say(&tube("set", &held));
        }
        "FAULTS" => {
            let mut faults = held.setup.faults;
            faults.cone_deg = number("CONE").unwrap_or(faults.cone_deg);
            faults.pole_altitude_deg = number("POLE_ALTITUDE").unwrap_or(faults.pole_altitude_deg);
            faults.pole_azimuth_deg = number("POLE_AZIMUTH").unwrap_or(faults.pole_azimuth_deg);
            faults.slip_hour = number("SLIP_HOUR").unwrap_or(faults.slip_hour);
            faults.slip_dec = number("SLIP_DEC").unwrap_or(faults.slip_dec);
            held.setup.faults = faults;
            held.tube.set_faults(faults);
            say(&all_faults("set", &held));
        }
        _ => {}
    }
}

fn describe(camera: &Camera) -> String {
    let on = |on: bool| if on { "On" } else { "Off" }.to_owned();
    let info = [
        ("CCD_MAX_X", camera.setup.width_px.to_string()),
        ("CCD_MAX_Y", camera.setup.height_px.to_string()),
        ("CCD_PIXEL_SIZE_X", PIXEL_UM.to_string()),
        ("CCD_PIXEL_SIZE_Y", PIXEL_UM.to_string()),
    ];
    let binning = [("HOR_BIN", "1".to_owned()), ("VER_BIN", "1".to_owned())];
    let scope = [("FOCAL_LENGTH", camera.setup.focal_mm(PIXEL_UM).to_string())];
    let connection = [("CONNECT", on(true)), ("DISCONNECT", on(false))];
    let interface = [("DRIVER_INTERFACE", "2".to_owned())];
    [
        vector("def", "Switch", CAMERA, "CONNECTION", "Ok", &connection),
        vector("def", "Text", CAMERA, "DRIVER_INFO", "Ok", &interface),
        vector("def", "Number", CAMERA, "CCD_INFO", "Ok", &info),
        vector("def", "Number", CAMERA, "CCD_BINNING", "Ok", &binning),
        vector("def", "Number", CAMERA, "SCOPE_INFO", "Ok", &scope),
        exposure("def", "Idle", 0.0),
        vector("def", "Switch", CAMERA, "CCD_ABORT_EXPOSURE", "Idle", &[("ABORT", on(false))]),
        compression("def", camera),
        ailment("def", camera),
        tube("def", camera),
        all_faults("def", camera),
        format!("<defBLOBVector device=\"{CAMERA}\" name=\"CCD1\" state=\"Idle\" perm=\"ro\"><defBLOB name=\"CCD1\"/></defBLOBVector>\n"),
    ]
    .concat()
}

fn exposure(verb: &str, state: &str, seconds: f64) -> String {
    let members = [("CCD_EXPOSURE_VALUE", seconds.to_string())];
    vector(verb, "Number", CAMERA, "CCD_EXPOSURE", state, &members)
}

fn compression(verb: &str, camera: &Camera) -> String {
    let on = |on: bool| if on { "On" } else { "Off" }.to_owned();
    let members = [
        ("CCD_COMPRESS", on(camera.is_compressed)),
        ("CCD_RAW", on(!camera.is_compressed)),
    ];
    vector(verb, "Switch", CAMERA, "CCD_COMPRESSION", "Ok", &members)
}

fn ailment(verb: &str, camera: &Camera) -> String {
    let members = AILMENTS.map(|name| {
        (
            name,
            if camera.ailment == name { "On" } else { "Off" }.to_owned(),
        )
    });
    vector(verb, "Switch", CAMERA, "AILMENT", "Ok", &members)
}

fn tube(verb: &str, camera: &Camera) -> String {
    let [ra, dec] = camera.tube.icrs_deg(now_jd());
    let altitude = camera.tube.altitude_deg();
    let members = [
        ("RA", ra.to_string()),
        ("DEC", dec.to_string()),
        ("ALTITUDE", altitude.to_string()),
    ];
    vector(verb, "Number", CAMERA, "TUBE", "Ok", &members)
}

fn all_faults(verb: &str, camera: &Camera) -> String {
    let Faults {
        cone_deg,
        pole_altitude_deg,
        pole_azimuth_deg,
        slip_hour,
        slip_dec,
        ..
    } = camera.setup.faults;
    let members = [
        ("CONE", cone_deg),
        ("POLE_ALTITUDE", pole_altitude_deg),
        ("POLE_AZIMUTH", pole_azimuth_deg),
        ("SLIP_HOUR", slip_hour),
        ("SLIP_DEC", slip_dec),
    ];
    vector(
        verb,
        "Number",
        CAMERA,
        "FAULTS",
        "Ok",
        &members.map(|(name, value)| (name, value.to_string())),
    )
}

/// One exposure, on a thread of its own.
fn expose(camera: &Mutex<Camera>, run: u64, seconds: f64) {
    let middle = Duration::from_secs_f64(seconds / 2.0);
    std::thread::sleep(middle);
    // What moves during an exposure is not drawn as a trail.
    let (jd, spec, ailment, reported_deg) = {
        let held = locked(camera);
        let jd = now_jd();
        (
            jd,
            spec(&held, jd, run),
            held.ailment.clone(),
            held.reported_deg,
        )
    };
    std::thread::sleep(middle);
    if ailment == "NO_FRAMES" {
        return;
    }
    let Ok(field) = render(&spec) else {
        say(&exposure("set", "Alert", 0.0));
        return;
    };
    let days = (jd - seconds / 2.0 / 86_400.0 - 2_400_000.5).to_string();
    let mut cards = vec![
        Card::number("MJD-OBS", days, "[d] start of exposure, UTC"),
        Card::number("EXPTIME", seconds, "[s]"),
    ];
    if let Some([ra, dec]) = reported_deg.map(|[ra, dec]| date_to_icrs(jd, ra, dec)) {
        let whose = "[deg] J2000, by the mount";
        cards.push(Card::number("RA", ra, whose));
        cards.push(Card::number("DEC", dec, whose));
        cards.push(Card::number("EQUINOX", 2000.0, "of RA and DEC"));
    }
    let bytes = fits_bytes(&field, &cards);
    let held = locked(camera);
    if held.exposure == run {
        say(&exposure("set", "Ok", 0.0));
        say(&blob(&bytes, held.is_compressed, ailment == "CUT_FRAMES"));
    }
}

fn spec(camera: &Camera, jd: f64, run: u64) -> FieldSpec {
    let [ra_deg, dec_deg] = camera.tube.icrs_deg(jd);
    let is_dark = camera.tube.altitude_deg() < 0.0 || camera.ailment == "CLOUDS";
    FieldSpec {
        width_px: camera.setup.width_px,
        height_px: camera.setup.height_px,
        rotation_deg: camera.setup.rotation_deg,
        epoch_year: 2000.0 + (jd - 2_451_545.0) / 365.25,
        content: if is_dark {
            Content::Starless
        } else {
            Content::Sky
        },
        seed: run,
        ..FieldSpec::new(ra_deg, dec_deg, camera.setup.field_deg)
    }
}

fn blob(bytes: &[u8], is_compressed: bool, is_cut: bool) -> String {
    let (packed, format) = if is_compressed {
        let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
        // Writing to memory does not fail.
        let _ = packer.write_all(bytes);
        (packer.finish().unwrap_or_default(), ".fits.z")
    } else {
        (bytes.to_vec(), ".fits")
    };
    let sent = &packed[..if is_cut {
        packed.len() / 2
    } else {
        packed.len()
    }];
    let text = base64::engine::general_purpose::STANDARD.encode(sent);
    let size = bytes.len();
    format!(
        "<setBLOBVector device=\"{CAMERA}\" name=\"CCD1\" state=\"Ok\">\n<oneBLOB name=\"CCD1\" size=\"{size}\" \
         format=\"{format}\">\n{text}\n</oneBLOB>\n</setBLOBVector>\n"
    )
}
