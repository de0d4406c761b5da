//! Mount and camera on an INDI server.

use super::{Fault, Frames, Mount, Optics, Side, Stop, View, now};
use crate::frame::{Frame, Site};
use crate::indi::{
    Address, Blob, Command, Connection, IndiError, Properties, State, Waited, numbers, switches,
};
use crate::mount::separation_deg;
use std::fs::File;
use std::io::{Read, Write};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

const OF_DATE: &str = "EQUATORIAL_EOD_COORD";
const J2000: &str = "EQUATORIAL_COORD";
/// Where the mount was sent, of date whatever it counts in.
const SENT_TO: &str = "TARGET_EOD_COORD";
/// Requests to end are heeded within this time.
const ATTENTION: Duration = Duration::from_millis(100);
/// A mount answers a command within this time.
const ANSWER: Duration = Duration::from_secs(5);
/// The longest slew. Common practice: half a turn at half a degree a second.
const SLEW: Duration = Duration::from_secs(400);
/// A slew ends this near to where it was sent, and a sync is taken to this.
const ARRIVED_DEG: f64 = 0.05;
/// A mount repeats a position that it is sent to this, in its own steps.
const SAME_PLACE_DEG: f64 = 0.05;
/// Faster than this is no tracking, lunar or sidereal, and no clock that runs: degrees a second.
const STANDS_DEG_S: f64 = 0.02;
/// To stop, all attempts together.
const STOPPING: Duration = Duration::from_secs(12);

impl From<IndiError> for Fault {
    fn from(error: IndiError) -> Fault {
        Fault::Device(error.to_string())
    }
}

/// The log of all commands, each with its time, on disk before it is sent.
#[derive(Clone)]
pub struct Journal(Arc<Mutex<File>>);

impl Journal {
    /// Into this file.
    pub fn new(file: File) -> Journal {
        Journal(Arc::new(Mutex::new(file)))
    }

    fn note(&self, device: &str, what: &str) -> Result<(), Fault> {
        let time = now()?.iso_utc();
        let mut file = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let written = writeln!(file, "{time} {device}: {what}").and_then(|()| file.flush());
        written.map_err(|refusal| {
            Fault::Device(format!("the log of commands cannot be written: {refusal}"))
        })
    }
}

fn send(connection: &mut Connection, journal: &Journal, command: &Command) -> Result<(), Fault> {
    // A full disk must not keep a mount from being stopped.
    let noted = journal.note(&connection.address().device, &command.summary);
    if !command.summary.starts_with("TELESCOPE_ABORT") {
        noted?;
    }
    Ok(connection.send(command)?)
}

/// A mount on an INDI server.
pub struct IndiMount {
    address: Address,
    connection: Connection,
    journal: Journal,
    stop: Stop,
}

impl IndiMount {
    /// Connects.
    ///
    /// # Errors
    /// No server, no device, or one without coordinates.
    pub fn open(address: &Address, journal: Journal, stop: Stop) -> Result<IndiMount, Fault> {
        let connection = Connection::open(address, false)?;
        let has = |p: &mut Properties| {
            (p.vector(OF_DATE).is_some() || p.vector(J2000).is_some()).then_some(())
        };
        if connection.wait(ANSWER, has)? == Waited::TimeOver {
            return Err(Fault::Device(format!(
                "{address} has no equatorial coordinates: connect the mount by its driver's CONNECTION \
                 first, and check that it is a mount"
            )));
        }
        Ok(IndiMount {
            address: address.clone(),
            connection,
            journal,
            stop,
        })
    }

    fn send(&mut self, command: &Command) -> Result<(), Fault> {
        send(&mut self.connection, &self.journal, command)
    }

    fn device(&self) -> String {
        self.address.device.clone()
    }

    fn is_of_date(&self) -> Result<bool, Fault> {
        Ok(self.connection.look(|p| p.vector(OF_DATE).is_some())?)
    }

    /// Sends a position; what is done with it ON_COORD_SET says.
    fn send_position(&mut self, icrs_deg: [f64; 2], mode: &str) -> Result<(), Fault> {
        let device = self.device();
        self.send(&switches(&device, "ON_COORD_SET", &[(mode, true)]))?;
        let is_set =
            |p: &mut Properties| (p.switch("ON_COORD_SET", mode) == Some(true)).then_some(());
        if self.connection.wait(ANSWER, is_set)? == Waited::TimeOver {
            return Err(Fault::Device(format!(
                "{} does not take ON_COORD_SET {mode}",
                self.address
            )));
        }
        let (name, [ra, dec]) = match self.is_of_date()? {
            true => (OF_DATE, now()?.icrs_to_date(icrs_deg[0], icrs_deg[1])),
            false => (J2000, icrs_deg),
        };
        self.send(&numbers(&device, name, &[("RA", ra / 15.0), ("DEC", dec)]))
    }

    /// One attempt to stop, over the present connection.
    fn try_to_stop(&mut self) -> Result<bool, Fault> {
        let device = self.device();
        self.send(&switches(
            &device,
            "TELESCOPE_ABORT_MOTION",
            &[("ABORT", true)],
        ))?;
        std::thread::sleep(Duration::from_millis(300));
        let (first, begin) = (self.view()?, Instant::now());
        std::thread::sleep(Duration::from_millis(700));
        let second = self.view()?;
        let speed = separation_deg(first.icrs_deg, second.icrs_deg) / begin.elapsed().as_secs_f64();
        Ok(!second.is_moving && speed < STANDS_DEG_S)
    }
}

/// Numbers that a driver was not told are 0.
fn positive(number: Option<f64>) -> Option<f64> {
    number.filter(|number| *number > 0.0 && number.is_finite())
}

fn side_of(p: &Properties) -> Option<Side> {
    let is_on = |name| p.switch("TELESCOPE_PIER_SIDE", name) == Some(true);
    match (is_on("PIER_EAST"), is_on("PIER_WEST")) {
        (true, false) => Some(Side::East),
        (false, true) => Some(Side::West),
        _ => None,
    }
}

/// What the properties say of a mount.
fn view_of(p: &Properties) -> Option<(bool, View)> {
    let of_date = p.vector(OF_DATE).is_some();
    let name = if of_date { OF_DATE } else { J2000 };
    let numbers_deg = [p.number(name, "RA")? * 15.0, p.number(name, "DEC")?];
    let site = (|| {
        let (latitude_deg, longitude) = (
            p.number("GEOGRAPHIC_COORD", "LAT")?,
            p.number("GEOGRAPHIC_COORD", "LONG")?,
        );
        let longitude_deg = (longitude + 180.0).rem_euclid(360.0) - 180.0;
        // What drivers report that were told no site.
        let is_set = latitude_deg != 0.0 || longitude_deg != 0.0;
        is_set.then_some(Site {
            longitude_deg,
            latitude_deg,
        })
    })();
    let clock = p
        .text("TIME_UTC", "UTC")
        .and_then(|text| crate::frame::parse_stamp(text).map(|stamp| stamp.jd_utc()));
    Some((
        of_date,
        View {
            numbers_deg,
            icrs_deg: numbers_deg,
            is_moving: p.state(name) == Some(State::Busy)
                || p.state("TELESCOPE_PARK") == Some(State::Busy),
            is_alert: p.state(name) == Some(State::Alert),
            is_parked: p.switch("TELESCOPE_PARK", "PARK") == Some(true),
            is_tracking: p.switch("TELESCOPE_TRACK_STATE", "TRACK_ON"),
            can_sync: p.switch("ON_COORD_SET", "SYNC").is_some(),
            site,
            side: side_of(p),
            sent_to_deg: None,
            focal_mm: positive(p.number("TELESCOPE_INFO", "TELESCOPE_FOCAL_LENGTH")),
            clock_ahead_s: clock
                .zip(now().ok())
                .map(|(clock, now)| (clock - now.jd_utc()) * 86_400.0),
            remark: p.latest_remark().map(str::to_owned),
        },
    ))
}

impl Mount for IndiMount {
    fn view(&mut self) -> Result<View, Fault> {
        let name = if self.is_of_date()? { OF_DATE } else { J2000 };
        let before = self.connection.look(|p| p.revision(name))?;
        self.connection.ask(name)?;
        let fresh = |p: &mut Properties| (p.revision(name) > before).then(|| view_of(p)).flatten();
        match self.connection.wait(ANSWER, fresh)? {
            Waited::Found((of_date, mut view)) => {
                let moment = now()?;
                if of_date {
                    view.icrs_deg = moment.date_to_icrs(view.numbers_deg[0], view.numbers_deg[1]);
                }
                view.sent_to_deg = self.connection.look(|p| {
                    // 0, 0 before the first slew.
                    let [ra, dec] = [p.number(SENT_TO, "RA")?, p.number(SENT_TO, "DEC")?];
                    (ra != 0.0 || dec != 0.0).then(|| moment.date_to_icrs(ra * 15.0, dec))
                })?;
                Ok(view)
            }
            Waited::TimeOver => Err(Fault::Device(format!(
                "{} has not said for {:.0} s where it points",
                self.address,
                ANSWER.as_secs_f64()
            ))),
        }
    }

    fn track(&mut self) -> Result<(), Fault> {
        let device = self.device();
        self.send(&switches(
            &device,
            "TELESCOPE_TRACK_STATE",
            &[("TRACK_ON", true)],
        ))?;
        let is_on = |p: &mut Properties| {
            (p.switch("TELESCOPE_TRACK_STATE", "TRACK_ON") == Some(true)).then_some(())
        };
        match self.connection.wait(ANSWER, is_on)? {
            Waited::Found(()) => Ok(()),
            Waited::TimeOver => Err(Fault::Device(format!(
                "{} does not track: switch tracking on at the mount",
                self.address
            ))),
        }
    }

    fn sync(&mut self, icrs_deg: [f64; 2]) -> Result<bool, Fault> {
        self.send_position(icrs_deg, "SYNC")?;
        let begin = Instant::now();
        loop {
            self.stop.check()?;
            let view = self.view()?;
            if !view.is_alert && separation_deg(view.icrs_deg, icrs_deg) < ARRIVED_DEG {
                return Ok(true);
            }
            if view.is_alert || begin.elapsed() > Duration::from_secs(3) {
                return Ok(false);
            }
            std::thread::sleep(ATTENTION);
        }
    }

    fn slew(
        &mut self,
        icrs_deg: [f64; 2],
        watch: &mut dyn FnMut(&View) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        let before = self.connection.look(|p| p.revision(SENT_TO))?;
        self.send_position(icrs_deg, "TRACK")?;
        let begin = Instant::now();
        loop {
            self.stop.check()?;
            let view = self.view()?;
            watch(&view)?;
            let heard = self.connection.look(|p| p.revision(SENT_TO))? > before;
            if let Some(sent_to_deg) = view.sent_to_deg.filter(|_| heard)
                && separation_deg(sent_to_deg, icrs_deg) > SAME_PLACE_DEG
            {
                return Err(Fault::Device(format!(
                    "{} goes {:.2} degrees from where it was sent: another program may have sent it \
                     elsewhere. End that program, then run this again",
                    self.address,
                    separation_deg(sent_to_deg, icrs_deg)
                )));
            }
            let off = separation_deg(view.icrs_deg, icrs_deg);
            let said = view.remark.unwrap_or_default();
            if view.is_alert {
                return Err(Fault::Device(format!(
                    "{} reports a fault during the slew: {said}",
                    self.address
                )));
            }
            if !view.is_moving && off < ARRIVED_DEG {
                return Ok(());
            }
            if begin.elapsed() > if view.is_moving { SLEW } else { ANSWER } {
                return Err(Fault::Device(format!(
                    "{} has not arrived: it reports {off:.2} degrees from where it was sent. It said last: {said}",
                    self.address
                )));
            }
            std::thread::sleep(ATTENTION);
        }
    }

    fn stop(&mut self) -> Result<(), Fault> {
        let begin = Instant::now();
        let mut trouble = "it goes on moving".to_owned();
        while begin.elapsed() < STOPPING {
            match self.try_to_stop() {
                Ok(true) => return Ok(()),
                Ok(false) => {}
                Err(fault) => {
                    trouble = fault.to_string();
                    std::thread::sleep(ATTENTION);
                    if let Ok(connection) = Connection::open(&self.address, false) {
                        self.connection = connection;
                    }
                }
            }
        }
        Err(Fault::Device(format!(
            "{} could not be seen to stop ({trouble}): stop it by hand or switch it off NOW, and look at it",
            self.address
        )))
    }
}

/// A camera on an INDI server.
pub struct IndiCamera {
    connection: Connection,
    journal: Journal,
    exposure_s: f64,
    stop: Stop,
    folder: tempfile::TempDir,
}

impl IndiCamera {
    /// Connects.
    ///
    /// # Errors
    /// No server, no device, or it takes no exposures.
    pub fn open(
        address: &Address,
        exposure_s: f64,
        journal: Journal,
        stop: Stop,
    ) -> Result<IndiCamera, Fault> {
        let connection = Connection::open(address, true)?;
        let has = |p: &mut Properties| p.vector("CCD_EXPOSURE").map(|_| ());
        if connection.wait(ANSWER, has)? == Waited::TimeOver {
            return Err(Fault::Device(format!(
                "{address} takes no exposures: connect the camera by its driver's CONNECTION first"
            )));
        }
        let folder = tempfile::tempdir()
            .map_err(|refusal| Fault::Device(format!("no room for frames: {refusal}")))?;
        Ok(IndiCamera {
            connection,
            journal,
            exposure_s,
            stop,
            folder,
        })
    }

    fn device(&self) -> String {
        self.connection.address().device.clone()
    }

    /// The binary object of an exposure that was just asked for.
    fn blob(&mut self) -> Result<Blob, Fault> {
        /// For the read-out and the way over the network.
        const READ_OUT: Duration = Duration::from_secs(60);
        let begin = Instant::now();
        let most = Duration::from_secs_f64(self.exposure_s) + READ_OUT;
        while begin.elapsed() < most {
            self.stop.check()?;
            let came = self.connection.wait(ATTENTION, |p| {
                let failed = p.state("CCD_EXPOSURE") == Some(State::Alert);
                let blob = p.take_blob("CCD1", "CCD1");
                blob.map(Some).or(failed.then_some(None))
            })?;
            match came {
                Waited::Found(Some(blob)) => return Ok(blob),
                Waited::Found(None) => {
                    return Err(Fault::Device(format!(
                        "{} reports a failed exposure",
                        self.device()
                    )));
                }
                Waited::TimeOver => {}
            }
        }
        Err(Fault::Device(format!(
            "{} sent no frame {:.0} s after the exposure",
            self.device(),
            READ_OUT.as_secs_f64()
        )))
    }

    fn frame_of(&self, blob: Blob) -> Result<Frame, Fault> {
        let broken = |what: &str| {
            Fault::Device(format!("the frame of {} is damaged: {what}", self.device()))
        };
        let mut bytes = blob.bytes.ok_or_else(|| broken("it is no base64"))?;
        if blob.format.ends_with(".z") {
            // The stated length bounds what is unpacked.
            let most = blob
                .stated_bytes
                .ok_or_else(|| broken("its length is not stated"))?
                .min(1 << 30);
            let mut unpacked = Vec::new();
            let unpacking = flate2::read::ZlibDecoder::new(&bytes[..])
                .take(most)
                .read_to_end(&mut unpacked);
            unpacking.map_err(|what| broken(&what.to_string()))?;
            bytes = unpacked;
        }
        if blob
            .stated_bytes
            .is_some_and(|stated| stated != bytes.len() as u64)
        {
            return Err(broken("it is cut short"));
        }
        let path = self.folder.path().join("frame.fits");
        std::fs::write(&path, &bytes)
            .map_err(|refusal| Fault::Device(format!("no room for a frame: {refusal}")))?;
        Frame::open(&path).map_err(|refusal| broken(&refusal.to_string()))
    }
}

impl Frames for IndiCamera {
    fn optics(&mut self) -> Result<Optics, Fault> {
        Ok(self.connection.look(|p| {
            let pixel = p.number("CCD_INFO", "CCD_PIXEL_SIZE_X");
            let pixel = positive(pixel.or(p.number("CCD_INFO", "CCD_PIXEL_SIZE")));
            let binning = positive(p.number("CCD_BINNING", "HOR_BIN")).unwrap_or(1.0);
            Optics {
                pixel_um: pixel.map(|pixel| pixel * binning),
                focal_mm: positive(p.number("SCOPE_INFO", "FOCAL_LENGTH")),
            }
        })?)
    }

    fn next(&mut self) -> Result<Frame, Fault> {
        let device = self.device();
        // What an earlier exposure left behind.
        let _ = self
            .connection
            .wait(Duration::ZERO, |p| p.take_blob("CCD1", "CCD1"))?;
        let ask = numbers(
            &device,
            "CCD_EXPOSURE",
            &[("CCD_EXPOSURE_VALUE", self.exposure_s)],
        );
        send(&mut self.connection, &self.journal, &ask)?;
        match self.blob() {
            Ok(blob) => self.frame_of(blob),
            Err(fault) => {
                let abort = switches(&device, "CCD_ABORT_EXPOSURE", &[("ABORT", true)]);
                // The first fault is the one to tell.
                let _ = send(&mut self.connection, &self.journal, &abort);
                Err(fault)
            }
        }
    }
}
