//! The loop with mounts that the simulator does not play: that take no sync, turn over, or count in
//! the wrong equinox. They are objects of this process; the frames are painted and really solved.

use crate::rehearsal::{moment, night, place_above};
use crate::run::Random;
use nightfix::answer::Known;
use nightfix::centre::limits::Limits;
use nightfix::centre::{Centring, End, Fault, Frames, Mount, Side, Stop, View, Wish, run};
use nightfix::frame::{Frame, Site};
use nightfix::mount::separation_deg;
use nightfix::sky::Sky;
use sample_fields::{FieldSpec, fits_bytes, render};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A mount that believes to point elsewhere than its tube does.
#[derive(Clone)]
struct Tube {
    tube_deg: [f64; 2],
    believed_deg: [f64; 2],
    side: Option<Side>,
    /// It knows syncs, and does what it is told by one.
    syncs: Option<bool>,
    turns_over: bool,
    /// Its numbers, which it calls of date, are J2000.
    counts_j2000: bool,
    slews: u32,
}

type Shared = Arc<Mutex<Tube>>;

struct Pretended(Shared);

impl Mount for Pretended {
    fn view(&mut self) -> Result<View, Fault> {
        let held = self.0.lock().unwrap();
        let now = moment();
        let numbers_deg = match held.counts_j2000 {
            true => held.believed_deg,
            false => now.icrs_to_date(held.believed_deg[0], held.believed_deg[1]),
        };
        let setup = night();
        Ok(View {
            numbers_deg,
            icrs_deg: now.date_to_icrs(numbers_deg[0], numbers_deg[1]),
            is_moving: false,
            is_alert: false,
            is_parked: false,
            is_tracking: Some(true),
            can_sync: held.syncs.is_some(),
            site: setup.latitude_deg.map(|latitude_deg| Site {
                longitude_deg: setup.longitude_deg,
                latitude_deg,
            }),
            side: held.side,
            sent_to_deg: None,
            focal_mm: None,
            clock_ahead_s: None,
            remark: None,
        })
    }

    fn track(&mut self) -> Result<(), Fault> {
        Ok(())
    }

    fn sync(&mut self, icrs_deg: [f64; 2]) -> Result<bool, Fault> {
        let mut held = self.0.lock().unwrap();
        if held.syncs == Some(true) {
            held.believed_deg = icrs_deg;
        }
        Ok(held.syncs == Some(true))
    }

    fn slew(
        &mut self,
        icrs_deg: [f64; 2],
        watch: &mut dyn FnMut(&View) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        {
            let mut held = self.0.lock().unwrap();
            let now = moment();
            let [ra, dec] = match held.counts_j2000 {
                true => now.icrs_to_date(icrs_deg[0], icrs_deg[1]),
                false => icrs_deg,
            };
            let moved = [ra - held.believed_deg[0], dec - held.believed_deg[1]];
            held.tube_deg = [held.tube_deg[0] + moved[0], held.tube_deg[1] + moved[1]];
            held.believed_deg = [ra, dec];
            held.slews += 1;
            if held.turns_over {
                held.side = Some(Side::West);
                // What turning over shows of a cone error.
                held.tube_deg[1] += 0.5;
                held.turns_over = false;
            }
        }
        let view = self.view()?;
        watch(&view)
    }

    fn stop(&mut self) -> Result<(), Fault> {
        Ok(())
    }
}

struct Painted {
    mount: Shared,
    folder: tempfile::TempDir,
}

impl Frames for Painted {
    fn next(&mut self) -> Result<Frame, Fault> {
        let [ra_deg, dec_deg] = self.mount.lock().unwrap().tube_deg;
        let spec = FieldSpec {
            width_px: 900,
            height_px: 600,
            ..FieldSpec::new(ra_deg.rem_euclid(360.0), dec_deg, 2.0)
        };
        let path = self.folder.path().join("frame.fits");
        let field = render(&spec).expect("a field");
        std::fs::write(&path, fits_bytes(&field, &[])).expect("written");
        Ok(Frame::open(&path).expect("a frame"))
    }
}

/// Centres; what was said besides.
fn centred(tube: Tube, target_deg: [f64; 2]) -> (End, String, Tube) {
    let shared = Arc::new(Mutex::new(tube));
    let mut said = String::new();
    let end = run(Centring {
        mount: &mut Pretended(Arc::clone(&shared)),
        frames: &mut Painted {
            mount: Arc::clone(&shared),
            folder: tempfile::tempdir().expect("a folder"),
        },
        sky: Arc::new(Sky::embedded().expect("the index")),
        wish: Wish {
            target_deg,
            within_arcmin: None,
            tries: 4,
            may_move: true,
            may_sync: true,
            slew_first: false,
            settle: Duration::ZERO,
            limits: Limits {
                min_altitude_deg: 5.0,
                meridian_deg: None,
                most_motion_deg: 300.0,
            },
            site: None,
            known: Known::default(),
        },
        stop: Stop::default(),
        say: &mut |line| said.extend([line, "\n"]),
    });
    let tube = shared.lock().unwrap().clone();
    (end, said, tube)
}

/// The target, and a tube some degrees from it that believes to be 2 degrees elsewhere.
fn near(dec_deg: Option<f64>, seed: u64) -> ([f64; 2], Tube) {
    let [ra, dec] = place_above(&night(), 40.0, &mut Random(seed));
    let target = [ra, dec_deg.unwrap_or(dec.min(70.0))];
    let tube_deg = [target[0] + 5.0, target[1] - 4.0];
    let tube = Tube {
        tube_deg,
        believed_deg: [tube_deg[0] - 1.5, tube_deg[1] + 1.0],
        side: Some(Side::East),
        syncs: Some(true),
        turns_over: false,
        counts_j2000: false,
        slews: 0,
    };
    (target, tube)
}

fn assert_centred(end: &End, said: &str, tube: &Tube, target_deg: [f64; 2]) {
    assert!(end.outcome.is_ok() && !end.aborted, "{end:?}\n{said}");
    let off_arcmin = separation_deg(tube.tube_deg, target_deg) * 60.0;
    // 2 % of the narrower side of 80 arcmin.
    assert!(off_arcmin < 1.65, "{off_arcmin} arcmin\n{said}");
}

#[test]
fn a_mount_without_syncs_is_centred_by_offsets() {
    let (target, tube) = near(None, 21);
    let (end, said, tube) = centred(
        Tube {
            syncs: None,
            ..tube
        },
        target,
    );
    assert_centred(&end, &said, &tube, target);
    assert!(
        said.contains("cannot be synced: going on by offsets"),
        "{said}"
    );
    assert!(end.report.tries.iter().all(|tried| !tried.synced));
}

#[test]
fn a_sync_refused_near_the_pole_is_told_as_such() {
    let (target, tube) = near(Some(89.0), 22);
    let tube = Tube {
        tube_deg: [target[0], 87.0],
        believed_deg: [target[0] - 1.5, 86.5],
        syncs: Some(false),
        ..tube
    };
    let (end, said, tube) = centred(tube, target);
    assert!(said.contains("near a pole many refuse"), "{said}");
    assert_centred(&end, &said, &tube, target);
}

#[test]
fn a_mount_that_turned_over_is_told_and_centred() {
    let (target, tube) = near(None, 23);
    let tube = Tube {
        syncs: Some(false),
        turns_over: true,
        ..tube
    };
    let (end, said, tube) = centred(tube, target);
    assert!(said.contains("the mount turned over"), "{said}");
    assert!(said.contains("turned over since the first frame"), "{said}");
    assert_centred(&end, &said, &tube, target);
    assert_eq!(end.report.slews, tube.slews);
}

/// The precession since 2000 is 20 arcmin and more: the loop comes to the target all the same.
#[test]
fn a_mount_that_takes_j2000_for_of_date_is_recognised() {
    let (target, tube) = near(None, 24);
    let tube = Tube {
        believed_deg: tube.tube_deg,
        syncs: None,
        counts_j2000: true,
        ..tube
    };
    let (end, said, tube) = centred(tube, target);
    assert!(said.contains("the error is that of precession"), "{said}");
    assert_centred(&end, &said, &tube, target);
}
