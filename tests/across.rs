//! The mount of a whole night, against mounts made by another route.

#[path = "support/mount.rs"]
mod mount;
mod run;
#[path = "support/telescope.rs"]
mod telescope;

use mount::enu;
use nightfix::polar::across::{Across, Term, across};
use nightfix::track::{Row, analyse};
use run::Random;
use telescope::{ARCMIN, Mount, Plan, night, random_plan};

fn judged(rows: &[Row]) -> Across {
    across(rows, &analyse(rows)).remove(0)
}

/// Angle between the axis that was found and the true one, arcmin.
fn off(mount: &Mount, found: &Across) -> f64 {
    let [altitude, azimuth] = found.axis.expect("an axis").altitude_azimuth_deg;
    let found = enu(altitude, azimuth);
    let side = if mount.site.latitude_deg >= 0.0 {
        1.0
    } else {
        -1.0
    };
    let axis = mount.northern_end().map(|c| side * c);
    let square: f64 = (0..3).map(|i| (found[i] - axis[i]).powi(2)).sum();
    square.sqrt() / ARCMIN
}

/// True size of a term with the sign that the first field gives it.
fn truth(mount: &Mount, term: Term, first_flipped: bool) -> f64 {
    let sign = if first_flipped { -1.0 } else { 1.0 };
    match term {
        Term::Axis => unreachable!("it has two numbers"),
        Term::Flexure => mount.droop,
        Term::Cone => sign * mount.cone,
        Term::Square => sign * mount.square,
    }
}

/// How often what is stated held.
#[derive(Debug, Default)]
struct Tally {
    held: usize,
    all: usize,
}

impl Tally {
    fn add(&mut self, held: bool) {
        self.held += usize::from(held);
        self.all += 1;
    }

    fn share(&self) -> f64 {
        self.held as f64 / self.all as f64
    }
}

fn coverage(nights: usize, seed: u64) -> ([Tally; 2], usize) {
    let mut random = Random(seed);
    let [mut axes, mut terms] = [Tally::default(), Tally::default()];
    let mut silent = 0;
    let mut ratios = Vec::new();
    for number in 0..nights {
        let (mount, plan) = (Mount::random(&mut random), random_plan(&mut random));
        let rows = night(&mount, &plan, &mut random);
        let found = judged(&rows);
        let (_, first_flipped) = mount.circles(
            rows[0].commanded_deg().unwrap(),
            rows[0].mid_jd_utc.unwrap(),
        );
        let Some(axis) = found.axis else {
            silent += 1;
            continue;
        };
        let miss = off(&mount, &found);
        axes.add(miss < axis.error.radius95_arcmin);
        ratios.push(miss / axis.error.radius95_arcmin);
        if miss > 1.5 * axis.error.radius95_arcmin {
            println!("{number}: {miss:.1} {axis:?} {plan:?} {mount:?} {found:?}");
        }
        for (term, amount) in &found.terms {
            let miss = (amount.arcmin - truth(&mount, *term, first_flipped)).abs();
            terms.add(miss < amount.error95_arcmin);
            if miss > 1.5 * amount.error95_arcmin {
                println!("{number}: {term:?} {miss:.2} {amount:?}");
            }
        }
    }
    println!("{axes:?} {terms:?}, {silent} of {nights} without an axis");
    for reach in [1.0, 1.25, 1.5, 2.0, 3.0] {
        let beyond = ratios.iter().filter(|ratio| **ratio > reach).count();
        println!("{beyond} beyond {reach} regions");
    }
    ([axes, terms], silent)
}

#[test]
fn the_stated_errors_hold_in_95_of_100() {
    let ([axes, terms], silent) = coverage(400, 17);
    assert!(silent < 120, "{silent}");
    for tally in [axes, terms] {
        assert!((0.93..=0.97).contains(&tally.share()), "{tally:?}");
    }
}

#[test]
#[ignore = "minutes: thousands of nights"]
fn thousands_of_nights() {
    let ([axes, terms], _) = coverage(4000, 18);
    for tally in [axes, terms] {
        assert!((0.93..=0.97).contains(&tally.share()), "{tally:?}");
    }
}

/// However the camera sits in its holder, the same night says the same of the mount.
#[test]
fn a_camera_turned_in_its_holder_changes_nothing() {
    let mut random = Random(41);
    for number in 0..20 {
        let (mut mount, plan) = (Mount::random(&mut random), random_plan(&mut random));
        let seed = random.0;
        let [upright, turned] = [0.0, 172.0].map(|roll_deg| {
            mount.roll_deg = roll_deg;
            judged(&night(&mount, &plan, &mut Random(seed)))
        });
        assert_eq!(upright.axis.is_some(), turned.axis.is_some(), "{number}");
        if upright.axis.is_some() {
            let apart = (off(&mount, &upright) - off(&mount, &turned)).abs();
            assert!(
                apart < 0.05,
                "{number}: {apart} arcmin {upright:?} {turned:?}"
            );
        }
    }
}

/// Numbers of date that were taken for J2000 lie as a mount with another axis would miss them where
/// the fields are few; but the camera does not lie as behind such a mount. This night put the
/// axis seven regions off when places alone were asked.
#[test]
fn the_lay_of_the_camera_tells_how_positions_are_meant() {
    let mut random = Random(3_359_650_340_340_214_797);
    let mut mount = Mount::random(&mut random);
    (mount.flips, mount.scatter) = (false, [40.0, 0.4]);
    let plan = Plan {
        fields: 6,
        sync: 0.0,
        centred: false,
        of_date: true,
        ..random_plan(&mut random)
    };
    let found = judged(&night(&mount, &plan, &mut random));
    let miss = off(&mount, &found);
    let region = found.axis.expect("an axis").error.radius95_arcmin;
    assert!(miss < 1.5 * region, "{miss} of {region}");
}

/// A centred night says nothing by where the mount was sent: it must not come out as a mount without
/// a fault.
#[test]
fn a_mount_that_was_centred_on_each_field_is_not_taken_for_a_perfect_one() {
    let mut random = Random(29);
    let mut told = 0;
    for _ in 0..60 {
        let mount = Mount::random(&mut random);
        let plan = Plan {
            centred: true,
            of_date: false,
            ..random_plan(&mut random)
        };
        let found = judged(&night(&mount, &plan, &mut random));
        assert!(!found.by_places, "{found:?}");
        told += usize::from(found.axis.is_some());
    }
    // By how the camera lay.
    assert!(told > 30, "{told}");
}

/// Hours at one declination, on one side of the pier: cone and the zero in hour angle are one.
#[test]
fn what_cannot_be_told_apart_is_named_and_not_told() {
    let mut random = Random(31);
    let mut mount = Mount::random(&mut random);
    (mount.flips, mount.refracted) = (false, false);
    mount.scatter = [20.0, 0.5];
    let mut plan = random_plan(&mut random);
    (plan.fields, plan.sync, plan.centred, plan.of_date) = (12, 0.0, false, false);
    let wide = judged(&night(&mount, &plan, &mut random));
    assert!(
        wide.terms.iter().any(|(term, _)| *term == Term::Cone),
        "{wide:?}"
    );
    // The same mount, seen in a narrow band only.
    let mut rows = night(
        &mount,
        &Plan {
            fields: 400,
            ..plan
        },
        &mut random,
    );
    rows.retain(|row| (row.dec_deg.unwrap() - 20.0).abs() < 1.2);
    let narrow = judged(&rows);
    assert!(narrow.fields >= 4, "{narrow:?}");
    let open = narrow.apart.iter().any(|terms| terms.contains(&Term::Cone));
    assert!(
        open && narrow.terms.iter().all(|(term, _)| *term != Term::Cone),
        "{narrow:?}"
    );
}

#[test]
fn what_a_night_lacks_is_a_sentence() {
    let mut random = Random(37);
    let mount = Mount::random(&mut random);
    let plan = random_plan(&mut random);
    let rows = night(&mount, &plan, &mut random);
    let reason = |change: &dyn Fn(&mut Vec<Row>)| {
        let mut rows = rows.clone();
        change(&mut rows);
        let found = judged(&rows);
        assert!(found.axis.is_none() && found.terms.is_empty(), "{found:?}");
        found.reason.expect("a reason")
    };
    let each = |change: fn(&mut Row)| move |rows: &mut Vec<Row>| rows.iter_mut().for_each(change);
    assert!(reason(&each(|row| row.latitude_deg = None)).contains("latitude and longitude"));
    assert!(reason(&each(|row| row.mid_jd_utc = None)).contains("when it was taken"));
    assert!(reason(&|rows| rows.truncate(1)).contains("1 field on the sky is not enough"));
    // Nobody says where the mount was sent, and the camera is turned for each field.
    let turned = reason(&|rows| {
        for row in rows.iter_mut() {
            row.commanded_ra_deg = None;
            let number: f64 = row.target.as_ref().unwrap()[6..].parse().unwrap();
            row.rotation_deg = row
                .rotation_deg
                .map(|angle| (angle + 47.0 * number) % 360.0);
        }
    });
    assert!(turned.contains("turned from field to field"), "{turned}");
}
