//! Mount figures against astropy 8.0.2 and pyerfa 2.0.1.5 (the commands stand beside the values).

use nightfix::frame::Site;
use nightfix::mount::{
    Moment, compass_word, passes_at_deg, pointing_error, separation_deg, sun_altitude_deg,
    sun_icrs_deg,
};

/// 2026-11-25T18:00:00 UTC.
const EVENING_JD: f64 = 2_461_370.25;

fn moment(jd_utc: f64) -> Moment {
    Moment::from_jd_utc(jd_utc).expect("a date in range")
}

/// Distance on the sky in milliarcseconds, small angles.
fn apart_mas(a: [f64; 2], b: [f64; 2]) -> f64 {
    let east = ((a[0] - b[0] + 180.0).rem_euclid(360.0) - 180.0) * a[1].to_radians().cos();
    east.hypot(a[1] - b[1]) * 3.6e6
}

/// `A.separation(B).deg` and `A.position_angle(B).deg` of astropy 8.0.2 SkyCoord, printed to
/// 1e-9 deg.
#[test]
fn pointing_errors_at_the_pole_and_across_ra_0() {
    let cases = [
        (
            [83.633083, 22.0145],
            [83.9, 22.3],
            0.377651615,
            40.838040600,
        ),
        ([0.0, 90.0], [123.0, 89.5], 0.5, 57.0),
        ([45.0, 90.0], [45.0, 89.9], 0.1, 180.0),
        ([359.95, -12.0], [0.05, -12.05], 0.109845118, 117.087335166),
        ([10.0, -89.99], [190.0, -89.98], 0.03, 180.0),
        (
            [10.0, 20.0],
            [190.0001, -20.0],
            179.999906031,
            269.999982899,
        ),
    ];
    for (commanded, found, separation_deg, angle_deg) in cases {
        let error = pointing_error(commanded, found);
        let case = format!("{commanded:?} -> {found:?}: {error:?}");
        assert!(
            (error.separation_deg - separation_deg).abs() < 2e-9,
            "{case}"
        );
        // Near the antipode the direction loses digits as 1 / sin(separation).
        let tolerance_deg = if separation_deg > 179.0 { 1e-6 } else { 1e-7 };
        assert!(
            (error.position_angle_deg - angle_deg).abs() < tolerance_deg,
            "{case}"
        );
        let (east, north) = (error.east_deg(), error.north_deg());
        assert!((east.hypot(north) - separation_deg).abs() < 2e-9, "{case}");
    }
}

#[test]
fn no_pointing_error_at_all_is_zero_and_not_nan() {
    for place in [[0.0, 90.0], [10.0, -90.0], [359.999, 0.0]] {
        let error = pointing_error(place, place);
        assert!(error.separation_deg < 1e-12, "{error:?}");
        assert!(
            (0.0..360.0).contains(&error.position_angle_deg),
            "{error:?}"
        );
    }
}

/// Slow but obvious: the way is walked in 20,000 steps.
#[test]
fn how_near_a_way_comes_to_a_place() {
    let vector = |[ra, dec]: [f64; 2]| {
        let ((sa, ca), (sd, cd)) = (ra.to_radians().sin_cos(), dec.to_radians().sin_cos());
        [cd * ca, cd * sa, sd]
    };
    let sky = |v: [f64; 3]| [v[1].atan2(v[0]), v[2].atan2(v[0].hypot(v[1]))].map(f64::to_degrees);
    for (place, from, to, at_an_end) in [
        ([64.0, 21.0], [20.0, 10.0], [110.0, 25.0], false),
        ([64.0, 21.0], [110.0, 25.0], [20.0, 10.0], false),
        ([200.0, 21.0], [20.0, 10.0], [110.0, 25.0], true),
        ([355.0, -3.0], [340.0, -20.0], [20.0, 12.0], false),
        ([10.0, 89.0], [100.0, 80.0], [281.0, 82.0], false),
        ([25.0, 12.0], [20.0, 10.0], [20.5, 10.0], true),
    ] {
        let (a, b) = (vector(from), vector(to));
        let steps = 20_000;
        let nearest = (0..=steps)
            .map(|k| {
                let part = f64::from(k) / f64::from(steps);
                let on_the_way = std::array::from_fn(|i| (1.0 - part) * a[i] + part * b[i]);
                separation_deg(place, sky(on_the_way))
            })
            .fold(f64::INFINITY, f64::min);
        let ends = separation_deg(place, from).min(separation_deg(place, to));
        let found = passes_at_deg(place, from, to);
        assert_eq!(found.is_none(), at_an_end, "{place:?}");
        assert!(
            (found.unwrap_or(ends) - nearest).abs() < 1e-3,
            "{place:?}: {found:?}"
        );
    }
    assert_eq!(
        passes_at_deg([5.0, 5.0], [10.0, 20.0], [190.0, -20.0]),
        None
    );
    assert_eq!(passes_at_deg([5.0, 5.0], [10.0, 20.0], [10.0, 20.0]), None);
}

#[test]
fn compass_words_cover_the_circle() {
    let words = [
        (0.0, "north"),
        (22.4, "north"),
        (23.0, "north-east"),
        (90.0, "east"),
    ];
    for (angle, word) in words
        .into_iter()
        .chain([(337.6, "north"), (315.0, "north-west")])
    {
        assert_eq!(compass_word(angle), word, "{angle}");
    }
}

/// astropy 8.0.2: `SkyCoord(ra, dec, unit='deg').transform_to(TETE(obstime=Time(jd, format='jd',
/// scale='utc')))`, printed to 1e-7 deg; the last from pyerfa 2.0.1.5 `atci13`, `ri - eo`, since
/// astropy's tables of the Earth's rotation begin in 1962.
#[test]
fn positions_of_date() {
    let cases = [
        (EVENING_JD, [83.633083, 22.0145], [84.0462427, 22.0328832]),
        (2_458_107.565, [0.01, -0.02], [0.2373424, 0.0787655]),
        (EVENING_JD, [200.0, 89.9], [187.9502991, 89.7479582]),
        (
            2_433_980.0,
            [132.83404, 11.8118],
            [132.180915807, 11.993705533],
        ),
    ];
    for (jd, icrs, of_date) in cases {
        let moment = moment(jd);
        let computed = moment.icrs_to_date(icrs[0], icrs[1]);
        // 1 mas: the printed digits are worth 0.4 mas, TT for TDB less.
        assert!(
            apart_mas(computed, of_date) < 1.0,
            "{computed:?} {of_date:?}"
        );
        let back = moment.date_to_icrs(computed[0], computed[1]);
        assert!(apart_mas(back, icrs) < 0.01, "{back:?} {icrs:?}");
    }
}

/// Light deflection is part of it and breaks down on the Sun's disc: finite all the same.
#[test]
fn positions_of_date_are_finite_everywhere() {
    let moment = moment(EVENING_JD);
    let sun = sun_icrs_deg(&moment).expect("the Sun");
    for place in [sun, [0.0, 90.0], [0.0, -90.0], [359.9999999, 0.0]] {
        let of_date = moment.icrs_to_date(place[0], place[1]);
        assert!(
            (0.0..360.0).contains(&of_date[0]) && of_date[1].abs() <= 90.0,
            "{of_date:?}"
        );
        assert!(apart_mas(moment.date_to_icrs(of_date[0], of_date[1]), place) < 10.0);
    }
}

#[test]
fn impossible_dates_are_refused() {
    for jd in [
        f64::NAN,
        f64::INFINITY,
        0.0,
        -1.0,
        1e9,
        2_396_000.0,
        2_600_000.0,
    ] {
        assert!(Moment::from_jd_utc(jd).is_none(), "{jd}");
    }
}

#[test]
fn times_are_printed_in_utc() {
    // astropy 8.0.2: Time(2461370.25, format='jd').isot, .jyear
    assert_eq!(moment(EVENING_JD).iso_utc(), "2026-11-25T18:00:00.0Z");
    assert!((moment(EVENING_JD).julian_year() - 2026.9000684).abs() < 1e-5);
}

/// astropy 8.0.2: direction from `get_body_barycentric('earth')` to that of the Sun; altitude
/// by `get_sun(t).transform_to(AltAz(obstime=t, location=...))` without refraction.
#[test]
fn the_sun() {
    let cases = [
        (
            EVENING_JD,
            [241.06575, -20.77497],
            [(10.0, 50.0, -24.2188), (-70.0, -30.0, 67.1623)],
        ),
        (
            2_451_545.0,
            [281.28898, -23.03325],
            [(10.0, 50.0, 16.5119), (-70.0, -30.0, 27.2216)],
        ),
    ];
    for (jd, direction, altitudes) in cases {
        let moment = moment(jd);
        let sun = sun_icrs_deg(&moment).expect("the Sun");
        assert!(apart_mas(sun, direction) < 100.0, "{sun:?}");
        for (longitude_deg, latitude_deg, expected) in altitudes {
            let site = Site {
                longitude_deg,
                latitude_deg,
            };
            let altitude = sun_altitude_deg(&moment, &site).expect("the Sun");
            // 0.01 deg: UT1, aberration, parallax and the ellipsoid are left out.
            assert!((altitude - expected).abs() < 0.015, "{altitude} {expected}");
        }
    }
}
