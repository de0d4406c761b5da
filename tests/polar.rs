//! The polar axis from frames, against mounts made here by another route: directions of pixels in
//! altitude and azimuth, turned about a misaligned axis by Rodrigues' formula, and taken to the sky
//! by ERFA's observed-to-ICRS (`atoc13`), star by star.

#[path = "support/mount.rs"]
mod mount;
mod run;

use mount::{AIR_C, Mount, PRESSURE, SITE, V, enu, icrs};
use nightfix::frame::Site;
use nightfix::polar::{Conditions, Finding, Sight, Trouble, adjusted, find};
use nightfix::projection::Projection;
use nightfix::wcs::Wcs;
use run::{Random, nightfix, sample, schema::violations, stderr, stdout};

const JD: f64 = 2_461_100.4;
const SIZE: [usize; 2] = [1200, 800];
const SCALE_DEG: f64 = 3.0 / 3600.0;
const STARS: usize = 40;
const NOISE_PX: f64 = 0.1;

fn normal(random: &mut Random) -> f64 {
    (0..12).map(|_| random.next()).sum::<f64>() - 6.0
}

/// What the solver makes of frames.
trait Camera {
    /// A solved frame: an affine fit to stars with noise.
    fn sight(self, file: &str, jd: f64, random: &mut Random) -> Sight;
}

impl Camera for Mount {
    fn sight(self, file: &str, jd: f64, random: &mut Random) -> Sight {
        let middle = SIZE.map(|side| (side as f64 + 1.0) / 2.0);
        let crval = icrs(self.camera[2], jd, self.site);
        let seen = |x: f64, y: f64| {
            let s = SCALE_DEG.to_radians();
            let v: V = std::array::from_fn(|i| {
                self.camera[2][i] + s * (x * self.camera[0][i] + y * self.camera[1][i])
            });
            let n = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
            let [ra, dec] = icrs(v.map(|c| c / n), jd, self.site).map(f64::to_radians);
            let [ra0, dec0] = crval.map(f64::to_radians);
            let depth = dec.sin() * dec0.sin() + dec.cos() * dec0.cos() * (ra - ra0).cos();
            [
                (dec.cos() * (ra - ra0).sin() / depth).to_degrees(),
                ((dec.sin() * dec0.cos() - dec.cos() * dec0.sin() * (ra - ra0).cos()) / depth)
                    .to_degrees(),
            ]
        };
        let mut normal_matrix = nalgebra::Matrix3::zeros();
        let mut right = nalgebra::Matrix3x2::zeros();
        let (mut squares, mut sums) = (0.0, [0.0; 2]);
        for _ in 0..STARS {
            let place = [0, 1].map(|k| (random.next() - 0.5) * SIZE[k] as f64);
            let [xi, eta] = seen(place[0], place[1]);
            let [x, y] = place.map(|p| p + NOISE_PX * normal(random));
            let row = nalgebra::Vector3::new(1.0, x, y);
            normal_matrix += row * row.transpose();
            right += row * nalgebra::RowVector2::new(xi, eta);
            squares += x * x + y * y;
            sums = [sums[0] + x, sums[1] + y];
        }
        let fit = normal_matrix.try_inverse().expect("stars all over") * right;
        let n = STARS as f64;
        let lever = (squares / n - (sums[0] / n).powi(2) - (sums[1] / n).powi(2)).sqrt();
        let sigma = NOISE_PX * SCALE_DEG.to_radians() / n.sqrt();
        let determinant = fit[(1, 0)] * fit[(2, 1)] - fit[(2, 0)] * fit[(1, 1)];
        // The pixel that sees the reference point.
        let shift = [
            -(fit[(0, 0)] * fit[(2, 1)] - fit[(2, 0)] * fit[(0, 1)]) / determinant,
            -(fit[(1, 0)] * fit[(0, 1)] - fit[(0, 0)] * fit[(1, 1)]) / determinant,
        ];
        Sight {
            file: file.into(),
            wcs: Wcs {
                crpix: [middle[0] + shift[0], middle[1] + shift[1]],
                crval,
                cd: [[fit[(1, 0)], fit[(2, 0)]], [fit[(1, 1)], fit[(2, 1)]]],
                projection: Projection::Gnomonic,
                sip: None,
            },
            size: SIZE,
            jd_utc: Some(jd),
            centre_error: sigma,
            turn_error: sigma / (lever * SCALE_DEG.to_radians()),
            commanded_dec_deg: None,
        }
    }
}

fn conditions(site: Site) -> Conditions {
    Conditions {
        site: Some(site),
        pressure_hpa: Some(PRESSURE),
        air_c: Some(AIR_C),
        ..Conditions::default()
    }
}

/// Midnight at the site: Julian days begin at noon in Greenwich.
fn night(site: Site) -> f64 {
    (JD - site.longitude_deg / 360.0).floor() + 0.5 - site.longitude_deg / 360.0
}

struct Case {
    mount: Mount,
    error: [f64; 2],
    step_deg: f64,
    jd: f64,
}

fn random_case(random: &mut Random, least_deg: f64, most_deg: f64) -> Case {
    let latitude = 20.0 + 40.0 * random.next();
    let site = Site {
        latitude_deg: if random.next() < 0.5 {
            -latitude
        } else {
            latitude
        },
        longitude_deg: 340.0 * random.next() - 170.0,
    };
    let error = [0, 1].map(|_| 120.0 * (random.next() - 0.5));
    let step_deg = 0.5 * (least_deg + (most_deg - least_deg) * random.next());
    // Above the horizon all the way: within the polar cap that never sets.
    let polar_deg = 1.0 + (latitude - 12.0) * random.next();
    let (roll, start) = (360.0 * random.next(), 360.0 * random.next());
    Case {
        mount: Mount::new(site, error, polar_deg, roll, start),
        error,
        step_deg,
        jd: night(site),
    }
}

impl Case {
    fn sights(&self, random: &mut Random) -> Vec<Sight> {
        (0..3)
            .map(|k| {
                let mount = self.mount.ra(self.step_deg * f64::from(k));
                mount.sight(&format!("{k}.fits"), self.jd + 0.001 * f64::from(k), random)
            })
            .collect()
    }

    fn found(&self, random: &mut Random) -> Result<Finding, Trouble> {
        find(&self.sights(random), &conditions(self.mount.site))
    }

    /// With the air as a weather station not far away has it.
    fn found_with_a_forecast(&self, random: &mut Random) -> Result<Finding, Trouble> {
        let sights = self.sights(random);
        let conditions = Conditions {
            pressure_hpa: Some(PRESSURE + 5.0 * normal(random)),
            air_c: Some(AIR_C + 2.5 * normal(random)),
            ..conditions(self.mount.site)
        };
        find(&sights, &conditions)
    }

    /// On the sky, arcmin.
    fn off(&self, finding: &Finding) -> f64 {
        let [altitude, azimuth] = finding.axis_deg.expect("a site");
        let v = enu(altitude, azimuth);
        let square: f64 = (0..3).map(|i| (v[i] - self.mount.axis[i]).powi(2)).sum();
        square.sqrt().to_degrees() * 60.0
    }
}

#[test]
fn the_axis_is_found_to_a_third_of_an_arcminute() {
    let mut random = Random(11);
    for _ in 0..200 {
        let case = random_case(&mut random, 30.0, 120.0);
        let finding = case.found(&mut random).expect("three good frames");
        let limit = f64::max(0.3, 0.02 * finding.error.total_arcmin);
        assert!(
            case.off(&finding) < limit,
            "{} {:?}",
            case.off(&finding),
            finding.error
        );
        let [altitude, azimuth] = [finding.error.altitude_arcmin, finding.error.azimuth_arcmin];
        assert!((altitude.unwrap() - case.error[0]).abs() < limit);
        let cos = case.mount.site.latitude_deg.to_radians().cos();
        assert!((azimuth.unwrap() - case.error[1]).abs() * cos < limit);
    }
}

#[test]
fn the_stated_region_holds_the_axis_in_95_of_100() {
    let mut random = Random(23);
    let (mut held, mut all) = (0, 0);
    for _ in 0..2000 {
        let case = random_case(&mut random, 4.0, 90.0);
        let Ok(finding) = case.found_with_a_forecast(&mut random) else {
            continue;
        };
        all += 1;
        held += usize::from(case.off(&finding) < finding.error.radius95_arcmin);
    }
    println!("{held} of {all}");
    assert!(all > 1900, "{all}");
    let share = held as f64 / all as f64;
    assert!((0.93..=0.97).contains(&share), "{held} of {all}");
}

#[test]
fn a_move_in_declination_is_noticed() {
    let mut random = Random(5);
    let mut noticed = 0;
    for _ in 0..200 {
        let mut case = random_case(&mut random, 60.0, 60.0);
        let mut sights = case.sights(&mut random);
        case.mount = case.mount.ra(case.step_deg * 2.0).dec(3.0);
        sights[2] = case.mount.sight("2.fits", case.jd + 0.002, &mut random);
        match find(&sights, &conditions(case.mount.site)) {
            Err(trouble) => noticed += usize::from(trouble.reason.contains("declination moved")),
            Ok(finding) => println!("{:?} {:?}", finding.moved_arcmin, finding.error),
        }
    }
    println!("{noticed} of 200");
    assert!(noticed >= 190, "{noticed} of 200");
}

#[test]
fn what_is_left_after_turning_the_screws() {
    let mut random = Random(8);
    for _ in 0..100 {
        let case = random_case(&mut random, 60.0, 90.0);
        let sights = case.sights(&mut random);
        let finding = find(&sights, &conditions(case.mount.site)).expect("three good frames");
        let azimuth = case.mount.axis[0].atan2(case.mount.axis[1]).to_degrees();
        let [up, level] = [[0.0, 0.0, 1.0], enu(0.0, azimuth + 90.0)];
        // Tracking for a while, then both screws.
        let mount = case.mount.ra(2.0 * case.step_deg - 0.7);
        let mount = mount.tripod(level, 40.0 * random.next() - 20.0);
        let mount = mount.tripod(up, 40.0 * random.next() - 20.0);
        let new = mount.sight("new.fits", case.jd + 0.004, &mut random);
        let left = adjusted(&finding, &sights[2], &new, &conditions(case.mount.site))
            .expect("a good frame");
        let pole = enu(
            mount.site.latitude_deg.abs(),
            if mount.site.latitude_deg < 0.0 {
                180.0
            } else {
                0.0
            },
        );
        let square: f64 = (0..3).map(|i| (pole[i] - mount.axis[i]).powi(2)).sum();
        let total = square.sqrt().to_degrees() * 60.0;
        let off = (left.error.total_arcmin - total).abs();
        assert!(
            off < 2.0 * left.error.radius95_arcmin.max(0.05),
            "{off} {:?}",
            left.error
        );
    }
}

#[test]
fn bad_input_is_a_sentence() {
    let mut random = Random(3);
    let mount = Mount::new(SITE, [10.0, -20.0], 20.0, 30.0, 0.0);
    let jd = night(SITE);
    let good: Vec<Sight> = (0..3)
        .map(|k| {
            let turned = mount.ra(25.0 * f64::from(k));
            turned.sight(&format!("{k}.fits"), jd + 0.001 * f64::from(k), &mut random)
        })
        .collect();
    assert!(find(&good, &conditions(SITE)).is_ok());
    let says = |sights: &[Sight], site: Site| {
        find(sights, &conditions(site))
            .expect_err("nothing to find")
            .reason
    };
    let with = |k: usize, change: &dyn Fn(&mut Sight)| {
        let mut sights = good.clone();
        change(&mut sights[k]);
        says(&sights, SITE)
    };
    assert!(says(&good[..1], SITE).contains("two are needed"));
    assert!(with(1, &|s| s.jd_utc = None).contains("no usable time"));
    assert!(with(1, &|s| s.jd_utc = good[0].jd_utc).contains("same time"));
    assert!(with(1, &|s| s.size = [600, 400]).contains("different cameras"));
    let again = |k: u32| mount.sight("x.fits", jd + 0.001 * f64::from(k), &mut Random(7));
    assert!(says(&[again(0), again(1), again(2)], SITE).contains("turn it by 30 deg"));
    let slewed = mount
        .ra(40.0)
        .dec(600.0)
        .sight("s.fits", jd + 0.002, &mut random);
    let reason = says(&[good[0].clone(), good[1].clone(), slewed], SITE);
    assert!(reason.contains("declination"), "{reason}");
    let south = Site {
        latitude_deg: -47.4,
        ..SITE
    };
    assert!(says(&good, south).contains("cannot both be right"));
    let mut two = good[..2].to_vec();
    (two[0].commanded_dec_deg, two[1].commanded_dec_deg) = (Some(70.0), Some(60.0));
    assert!(says(&two, SITE).contains("by their headers"));
}

#[test]
fn the_command_keeps_its_contract() {
    let schema =
        serde_json::from_str(include_str!("../src/report/polar/polar.schema.json")).unwrap();
    let frame = sample("01-power-cut.fits");
    for (frames, exit, status) in [
        (vec![&frame, &frame], 1, "unclear"),
        (vec![&frame], 1, "unclear"),
    ] {
        let output = nightfix()
            .arg("polar")
            .args(&frames)
            .arg("--json")
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(exit), "{}", stderr(&output));
        let record: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
        assert!(
            violations(&schema, &record).is_empty(),
            "{:?}",
            violations(&schema, &record)
        );
        assert_eq!(record["status"], status);
        assert!(record["reason"].is_string());
    }
    let output = nightfix()
        .args(["polar", "missing.fits", "--json"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(66));
}
