//! Detection lists that do show the sky: how many of them are found?

use crate::lists::{Opening, SIZES, detections};
use crate::random::Random;
use nightfix::detect::{Detection, Detections};
use nightfix::search::{Commanded, Request};
use nightfix::sky::{RegionStar, Sky, SkyError, SkyRegion};
use nightfix::sphere::{ARCSEC_PER_RAD, angle_between, dot, sky_to_vector, tangent_basis};

/// What of a field is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// 1 to 12 degrees wide, the 6 to 80 brightest stars.
    Open,
    /// The same with six to nine stars.
    Sparse,
    /// 0.95 to 1.5 degrees wide: all stars of the index, among up to four times as many fainter
    /// ones.
    Narrow,
    /// The same as `Open`, with the scale claimed and the position known to 5 degrees.
    Near,
    /// 12 to 50 degrees wide, 15 to 120 stars.
    Wide,
    /// 2.5 to 10 degrees wide, three quarters of it covered, eight stars to magnitude 10.5 or more
    /// in the rest.
    Covered,
}

impl Kind {
    pub fn named(name: &str) -> Option<Kind> {
        Some(match name {
            "open" => Kind::Open,
            "sparse" => Kind::Sparse,
            "narrow" => Kind::Narrow,
            "near" => Kind::Near,
            "wide" => Kind::Wide,
            "covered" => Kind::Covered,
            _ => return None,
        })
    }
}

/// A list, what is asked about it and where it really is.
pub struct Field {
    pub list: Detections,
    pub request: Request,
    pub centre: [f64; 3],
    pub width_deg: f64,
}

/// Field `number`; `None` where the place drawn shows too few stars.
pub fn field(number: u64, kind: Kind, sky: &Sky) -> Result<Option<Field>, SkyError> {
    let mut random = Random::new(number.wrapping_add(7 << 50));
    let size = SIZES[random.below(SIZES.len())];
    let [ra_deg, dec_deg] = random.on_sky();
    let width_deg = match kind {
        Kind::Wide => random.log_between(12.0, 50.0),
        Kind::Covered => random.log_between(2.5, 10.0),
        Kind::Narrow => random.log_between(0.95, 1.5),
        _ => random.log_between(1.0, 12.0),
    };
    let shown = match kind {
        Kind::Sparse => 6 + random.below(4),
        Kind::Wide => random.log_between(15.0, 120.0) as usize,
        Kind::Narrow => 150,
        _ => random.log_between(6.0, 81.0) as usize,
    };
    let half = 0.5 * size[0].max(size[1]) as f64;
    let focal_px = half / (0.5 * width_deg.to_radians()).tan();
    let bend = random.between(-1.0, 1.0) * if kind == Kind::Wide { 0.01 } else { 0.0008 };
    let view = View::new(size, [ra_deg, dec_deg], focal_px, bend, &mut random);
    let opening = (kind == Kind::Covered).then(|| Opening::of_share(size, 0.25, &mut random));
    let reach = (size[0] as f64).hypot(size[1] as f64) / 2.0 / focal_px;
    let mut region = SkyRegion::default();
    let stars = region
        .cone(sky, 0, view.axes[2], 1.05 * reach.atan(), 3000, 0.0)
        .map_err(|e| sky.error(0, &e))?;
    let mut seen: Vec<([f64; 2], f64)> = stars
        .iter()
        .filter_map(|star| Some((view.place(star)?, f64::from(star.mag))))
        .filter(|(place, _)| opening.as_ref().is_none_or(|open| open.shows(*place)))
        .collect();
    if kind == Kind::Covered {
        let deepest = random.between(10.5, 11.2);
        seen.retain(|&(_, mag)| mag < deepest);
        seen.truncate(150);
        if seen.iter().filter(|(_, mag)| *mag < 10.5).count() < 8 {
            return Ok(None);
        }
    } else {
        seen.truncate(shown);
        if seen.len() < 6 {
            return Ok(None);
        }
    }
    let list = detected(&seen, size, opening.as_ref(), kind, &mut random);
    Ok(Some(Field {
        list,
        request: match kind {
            Kind::Near => near([ra_deg, dec_deg], ARCSEC_PER_RAD / focal_px, &mut random),
            _ => Request::default(),
        },
        centre: sky_to_vector(ra_deg, dec_deg),
        width_deg,
    }))
}

/// A commanded position up to 5 degrees off, and a scale up to 3 % off.
fn near([ra_deg, dec_deg]: [f64; 2], scale_arcsec: f64, random: &mut Random) -> Request {
    let [dx, dy] = [0, 1].map(|_| 2.5 * random.normal().clamp(-1.4, 1.4));
    Request {
        starts: vec![Commanded {
            ra_deg: ra_deg + dx / dec_deg.to_radians().cos().max(0.1),
            dec_deg: (dec_deg + dy).clamp(-90.0, 90.0),
        }],
        scales_arcsec_per_px: vec![scale_arcsec * (1.0 + random.between(-0.03, 0.03))],
        ..Request::default()
    }
}

/// A pinhole camera with one radial term.
struct View {
    axes: [[f64; 3]; 3],
    focal_px: f64,
    bend: f64,
    mirrored: bool,
    size: [f64; 2],
}

impl View {
    fn new(size: [usize; 2], at: [f64; 2], focal_px: f64, bend: f64, random: &mut Random) -> View {
        let [east, north, pole] = tangent_basis(at[0], at[1]);
        let (sin, cos) = random.between(0.0, std::f64::consts::TAU).sin_cos();
        let turned = |a: f64, b: f64| std::array::from_fn(|i| a * east[i] + b * north[i]);
        View {
            axes: [turned(cos, sin), turned(-sin, cos), pole],
            focal_px,
            bend,
            mirrored: random.below(2) == 1,
            size: size.map(|s| s as f64),
        }
    }

    /// The pixel of a star, if it is in the frame.
    fn place(&self, star: &RegionStar) -> Option<[f64; 2]> {
        let depth = dot(star.vector, self.axes[2]);
        if depth < 0.1 {
            return None;
        }
        let [u, v] = [0, 1].map(|i| self.focal_px * dot(star.vector, self.axes[i]) / depth);
        let corner2 = (self.size[0].powi(2) + self.size[1].powi(2)) / 4.0;
        let stretch = 1.0 + self.bend * (u * u + v * v) / corner2;
        let u = if self.mirrored { -u } else { u };
        let place = [
            u * stretch + (self.size[0] - 1.0) / 2.0,
            v * stretch + (self.size[1] - 1.0) / 2.0,
        ];
        let inside = |i: usize| place[i] > 0.0 && place[i] < self.size[i] - 1.0;
        (inside(0) && inside(1)).then_some(place)
    }
}

/// What a detector makes of stars: errors, blends, stars missed, and others that are not there.
fn detected(
    stars: &[([f64; 2], f64)],
    size: [usize; 2],
    opening: Option<&Opening>,
    kind: Kind,
    random: &mut Random,
) -> Detections {
    let fwhm_px = random.between(1.8, 4.0);
    let miss = if kind == Kind::Sparse { 0.0 } else { 0.07 };
    let mut found: Vec<([f64; 2], f64)> = Vec::new();
    for &(place, mag) in stars {
        let flux = 10_f64.powf(-0.4 * (mag + 0.3 * random.normal()));
        let blend = found
            .iter_mut()
            .find(|(p, _)| (p[0] - place[0]).hypot(p[1] - place[1]) < 1.2 * fwhm_px);
        if let Some((at, other)) = blend {
            let share = flux / (flux + *other);
            *at = [0, 1].map(|i| at[i] + share * (place[i] - at[i]));
            *other += flux;
        } else if random.between(0.0, 1.0) >= miss {
            found.push((place, flux));
        }
    }
    let false_ones = (random.between(0.0, 0.3) * found.len() as f64) as usize;
    for _ in 0..false_ones {
        let place = size.map(|s| random.between(0.0, s as f64 - 1.0));
        if opening.is_none_or(|open| open.shows(place)) {
            let flux = found[random.below(found.len())].1;
            found.push((place, flux));
        }
    }
    if kind == Kind::Narrow {
        // Stars fainter than the index holds: twice as many with each magnitude.
        for _ in 0..random.below(4 * found.len() + 1) {
            let place = size.map(|s| random.between(0.0, s as f64 - 1.0));
            let mag = 11.0 + random.log_between(1.0, 8.0).log2();
            found.push((place, 10_f64.powf(-0.4 * (mag + 0.3 * random.normal()))));
        }
    }
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    let faintest = found.last().map_or(1.0, |f| f.1);
    let star = |&(place, flux): &([f64; 2], f64)| {
        let snr = 10.0 * flux / faintest;
        let sigma_px = (0.4 * fwhm_px / snr).clamp(0.03, 0.3);
        let [x_px, y_px] = place.map(|c| c + sigma_px.hypot(0.08) * random.normal());
        Detection {
            x_px,
            y_px,
            sigma_px,
            flux: 1e3 * snr,
            snr,
            fwhm_px,
            elongation: 1.0,
            saturated: false,
        }
    };
    let stars = found.iter().map(star).collect();
    detections(stars, size, fwhm_px)
}

/// Whether a direction is that of the field's middle.
pub fn is_right(field: &Field, direction: [f64; 3]) -> bool {
    angle_between(field.centre, direction).to_degrees() < 0.02 * field.width_deg
}
