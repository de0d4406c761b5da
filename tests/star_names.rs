//! The table of named stars against the stars of the built-in star-index, which comes from another
//! file of the same catalogues: a name from the wrong star, or a number that was mistyped, shows.

use nightfix::sky::{Sky, SkyRegion};
use nightfix::sphere::sky_to_vector;
use star_names::all;

#[test]
fn every_star_is_in_the_star_index() {
    let sky = Sky::embedded().unwrap();
    let mut region = SkyRegion::default();
    let arcsec = (1.0_f64 / 3600.0).to_radians();
    let (mut missing, mut count) = (Vec::new(), 0);
    for star in all() {
        count += 1;
        // The star-index joins components: there the middle of the light and the sum.
        let (radius, magnitudes) = match star.is_double {
            true => (20.0 * arcsec, 1.0),
            false => (2.0 * arcsec, 0.4),
        };
        let at = sky_to_vector(star.ra_deg, star.dec_deg);
        let near = region.cone(&sky, 0, at, radius, usize::MAX, 0.0).unwrap();
        let fits = |mag: f32| (f64::from(mag) - star.magnitude).abs() < magnitudes;
        if !near.iter().any(|found| fits(found.mag)) {
            missing.push(star);
        }
    }
    println!("{} of {count} are not there: {missing:#?}", missing.len());
    assert!(
        missing.iter().all(|star| star.name.is_none()),
        "{missing:#?}"
    );
    assert!(missing.len() * 200 < count, "{} of {count}", missing.len());
}
