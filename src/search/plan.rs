//! In which order what is tried: from the likely and cheap to the whole sky and everything.

use super::{Lenses, Request};
use crate::detect::Detections;
use crate::projection::Projection;
use crate::quads::{FrameQuad, Lens, QuadMaker, Tolerance};
use crate::sky::{Sky, SkyTile, band_serves, index_serves};
use crate::sphere::ARCSEC_PER_RAD;
use star_index::StarIndex;
use star_index::layout::Band;

/// Part of the sky that a stage covers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Region {
    /// Tiles within this distance of each start, nearest first.
    Within {
        /// Radius, degrees.
        radius_deg: f64,
    },
    /// Not the prebuilt quads but every catalogue star within this distance of each start, with
    /// quads made on the spot.
    EveryStar {
        /// Radius, degrees.
        radius_deg: f64,
    },
    /// Everything.
    WholeSky,
}

/// One attempt: which frame quads, where, with which scales.
#[derive(Debug, Clone, PartialEq)]
pub struct Stage {
    /// How pixels become directions.
    pub lens: Lens,
    /// How many detections, brightest first, are combined in all ways.
    pub all_of: usize,
    /// An earlier stage combined this many in all ways: their quads are left out.
    pub done: usize,
    /// How many detections, brightest first, are combined with their nearest neighbours.
    pub neighbours_of: usize,
    /// Where to search.
    pub region: Region,
    /// Only candidates of these scales, arcsec per pixel, each within [`SCALE_CLAIM_ERROR`];
    /// empty: any.
    pub scales: Vec<f64>,
    /// Widths of field (longer side, degrees) that these scales mean.
    pub widths_deg: Vec<f64>,
}

/// A claimed scale is believed within this relative error, in the stages that believe it.
pub const SCALE_CLAIM_ERROR: f64 = 0.05;
/// Detections combined in all ways at first, and later.
const FIRST_COUNT: usize = 20;
const SECOND_COUNT: usize = 30;
/// Detections combined with their neighbours only.
const NEIGHBOUR_COUNT: [usize; 2] = [60, 150];
/// Neighbours they are combined with.
const NEIGHBOURS: usize = 7;
/// Radius of the neighbourhood of a commanded position, degrees.
const NEAR_DEG: f64 = 15.0;
/// Radius within which every catalogue star is used, where position and scale are claimed.
const EVERY_STAR_DEG: f64 = 6.0;
/// Widths of field for which a wide frame is unprojected, degrees.
const WIDE_FIELDS_DEG: [f64; 10] = [11.0, 14.0, 17.5, 21.5, 26.0, 31.0, 37.0, 44.0, 52.0, 61.0];
/// The same for the widest lenses that keep lines straight, and for fisheyes: half the longer side in
/// focal lengths, from 62 to 108 deg and from 80 deg to a circle of 180 deg within the shorter side
/// of a frame; those with a whole circle that is much smaller are searched in their middle. Of the laws of
/// fisheyes one stands in for the others where they differ by less than the steps: what is left out earned
/// nothing (`benches/WIDE.md`).
const WIDEST_FIELDS: [(Projection, &[f64]); 4] = [
    (Projection::Gnomonic, &[0.72, 0.88, 1.07, 1.30]),
    (Projection::Stereographic, &[0.74, 1.42, 2.2]),
    (
        Projection::Equidistant,
        &[0.74, 0.92, 1.14, 1.42, 1.77, 2.2],
    ),
    (Projection::Equisolid, &[1.42, 2.2]),
];
/// A flat frame wider than this is not credible: stretched 1 % towards its corners.
pub const FLAT_WIDEST_DEG: f64 = 12.0;

/// Relative error of a focal length with which a frame is unprojected: half the step from one of
/// [`WIDE_FIELDS_DEG`] to the next, and more than a lens breathes.
const FOCAL_ERROR: f64 = 0.12;

impl Stage {
    /// The frame quads of a level (0 or 1), for a frame whose longer side has `side_px` pixels.
    fn of_level(lens: Lens, level: usize, region: Region, scales: &[f64], side_px: f64) -> Stage {
        Stage {
            lens,
            all_of: [FIRST_COUNT, SECOND_COUNT][level],
            done: [0, FIRST_COUNT][level],
            neighbours_of: NEIGHBOUR_COUNT[level],
            region,
            scales: scales.to_vec(),
            widths_deg: scales
                .iter()
                .map(|scale| scale * side_px / 3600.0)
                .collect(),
        }
    }

    /// One quick attempt within `radius_deg` of where a frame is expected, with a scale that is
    /// known (arcsec per pixel); longer side and focal length of the frame in pixels.
    pub fn around_a_guess(radius_deg: f64, scale: f64, [side_px, focal_px]: [f64; 2]) -> Stage {
        let width_deg = 2.0 * (0.5 * side_px / focal_px).atan().to_degrees();
        let lens = if width_deg < FLAT_WIDEST_DEG {
            Lens::Flat
        } else {
            Lens::Wide {
                projection: Projection::Gnomonic,
                focal_px,
                error: FOCAL_ERROR,
            }
        };
        Stage::of_level(lens, 0, Region::Within { radius_deg }, &[scale], side_px)
    }
}

/// All stages in order.
pub fn stages(detections: &Detections, request: &Request) -> Vec<Stage> {
    if request.lenses == Lenses::Widest {
        return stages_of_widest(detections, request);
    }
    let mut stages = Vec::new();
    let wide = wide_lenses(detections);
    let longer = detections.width.max(detections.height) as f64;
    let stage =
        |lens, level, region, scales: &[f64]| Stage::of_level(lens, level, region, scales, longer);
    let scales = &request.scales_arcsec_per_px;
    if !request.starts.is_empty() {
        let radius_deg = request.within_deg.unwrap_or(NEAR_DEG);
        let near = Region::Within { radius_deg };
        if !scales.is_empty() {
            stages.push(stage(Lens::Flat, 0, near, scales));
            let every = Region::EveryStar {
                radius_deg: radius_deg.min(EVERY_STAR_DEG),
            };
            stages.push(stage(Lens::Flat, 0, every, scales));
        }
        stages.push(stage(Lens::Flat, 0, near, &[]));
        stages.extend(wide.iter().map(|&lens| stage(lens, 0, near, &[])));
        stages.push(stage(Lens::Flat, 1, near, &[]));
        if request.within_deg.is_some() {
            stages.extend(wide.iter().map(|&lens| stage(lens, 1, near, &[])));
            return stages;
        }
    }
    for level in 0..2 {
        stages.push(stage(Lens::Flat, level, Region::WholeSky, &[]));
        stages.extend(
            wide.iter()
                .map(|&lens| stage(lens, level, Region::WholeSky, &[])),
        );
    }
    stages
}

/// The same for the widest lenses, whose quads are few: at once all over the sky that may be searched.
fn stages_of_widest(detections: &Detections, request: &Request) -> Vec<Stage> {
    let longer = detections.width.max(detections.height) as f64;
    let lenses = widest_lenses(detections, &request.scales_arcsec_per_px);
    let region = match request.within_deg {
        Some(radius_deg) if !request.starts.is_empty() => Region::Within { radius_deg },
        _ => Region::WholeSky,
    };
    let of = |level| {
        let lenses = lenses.iter();
        lenses.map(move |&lens| Stage::of_level(lens, level, region, &[], longer))
    };
    of(0).chain(of(1)).collect()
}

/// A lens for each wide field, each good for half the step to the next.
fn wide_lenses(detections: &Detections) -> Vec<Lens> {
    let half = detections.width.max(detections.height) as f64 / 2.0;
    let focal = |field_deg: f64| half / (0.5 * field_deg.to_radians()).tan();
    WIDE_FIELDS_DEG
        .iter()
        .map(|&field| Lens::Wide {
            projection: Projection::Gnomonic,
            focal_px: focal(field),
            error: FOCAL_ERROR,
        })
        .collect()
}

/// The widest lenses, those nearest to a claimed scale first.
fn widest_lenses(detections: &Detections, scales: &[f64]) -> Vec<Lens> {
    let half = detections.width.max(detections.height) as f64 / 2.0;
    let of = |(projection, fields): (Projection, &'static [f64])| {
        fields.iter().map(move |field| (projection, half / field))
    };
    let mut lenses: Vec<(Projection, f64)> = WIDEST_FIELDS.into_iter().flat_map(of).collect();
    if let Some(scale) = scales.first() {
        let off = |focal_px: f64| (focal_px * scale / ARCSEC_PER_RAD).ln().abs();
        lenses.sort_by(|a, b| off(a.1).total_cmp(&off(b.1)));
    }
    let lens = |(projection, focal_px)| Lens::Wide {
        projection,
        focal_px,
        error: FOCAL_ERROR,
    };
    lenses.into_iter().map(lens).collect()
}

/// The frame quads of a stage.
pub fn frame_quads(detections: &Detections, stage: &Stage) -> Vec<FrameQuad> {
    let tolerance = Tolerance {
        position_px: 0.9 + 0.12 * detections.fwhm_px,
        distortion: if stage.lens == Lens::Flat {
            0.0007
        } else {
            0.002
        },
        largest_radius: 0.02,
    };
    let size = [detections.width, detections.height];
    QuadMaker::new(&detections.stars, size, stage.lens, tolerance)
        .all_of_first(stage.all_of, stage.done)
        .neighbours_of_first(stage.neighbours_of, NEIGHBOURS, stage.all_of)
        .finish()
}

/// Tiles searched together.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// The tiles.
    pub tiles: Vec<SkyTile>,
    /// Distance from the start that is covered once the batch is done, degrees.
    pub radius_deg: f64,
}

/// Bands whose quads a lens can match: wide lenses need large quads, those of half the sky larger
/// ones yet.
fn band_fits(lens: Lens, longest_rad: f64) -> bool {
    match lens {
        Lens::Flat => true,
        Lens::Wide {
            projection: Projection::Gnomonic,
            ..
        } => longest_rad > 0.05,
        Lens::Wide { .. } => longest_rad > 0.15,
    }
}

/// Radius of the first ring of a spiral, and by how much each ring is wider than the last.
const FIRST_RING_DEG: f64 = 0.25;
const RING_GROWTH: f64 = 1.6;
/// The ring (0 the first) up to which tiles are looked up at once: a degree.
const NEAR_RINGS: usize = 3;
/// Slices of the whole sky, after the first one.
const SLICES: usize = 6;

/// Whether a band of a star-index is searched in a stage: wide lenses need large quads; where a
/// scale is claimed and believed, deep indexes are asked only for fields that they serve.
pub fn band_is_wanted(sky: &Sky, stage: &Stage, index: usize, band: &Band) -> bool {
    let serves = sky.indexes().get(index).and_then(|i| band_serves(i, band));
    let serves_one = |[narrowest, widest]: [f64; 2]| {
        let width_fits = |width: &f64| {
            (narrowest..=widest).contains(&(width * (1.0 + SCALE_CLAIM_ERROR)))
                || (narrowest..=widest).contains(&(width * (1.0 - SCALE_CLAIM_ERROR)))
        };
        stage.widths_deg.is_empty() || stage.widths_deg.iter().any(width_fits)
    };
    band_fits(stage.lens, band.longest_rad) && serves.is_none_or(serves_one)
}

/// The tiles of a stage in batches: rings of growing radius about the start, or slices of the
/// whole sky, large quads first (they are few, and serve every field but the narrowest), then
/// the deep star-indexes.
pub fn batches<'a>(
    sky: &'a Sky,
    stage: &'a Stage,
    start: Option<[f64; 3]>,
) -> Box<dyn Iterator<Item = Batch> + 'a> {
    let wanted = move |index: usize, band: &Band| band_is_wanted(sky, stage, index, band);
    let whole_sky = match (stage.region, start) {
        (Region::Within { radius_deg }, Some(start)) => {
            // Most frames are found within the first rings, and the tiles of all are many.
            let near_deg = ring_radii()
                .nth(NEAR_RINGS)
                .map_or(radius_deg, |r| r.min(radius_deg));
            let within = move |to_deg: f64, from_deg: f64| {
                let tiles = sky.tiles_outward(start, to_deg, wanted);
                rings(&tiles, from_deg, to_deg)
            };
            let near = std::iter::once_with(move || within(near_deg, -1.0));
            let far = std::iter::once_with(move || match near_deg < radius_deg {
                true => within(radius_deg, near_deg),
                false => Vec::new(),
            });
            return Box::new(near.chain(far).flatten());
        }
        (Region::WholeSky, _) => {
            let is_deep = |index: usize| sky.indexes().get(index).is_some_and(is_deep);
            let tiles = sky.tiles(|index, band| !is_deep(index) && wanted(index, band));
            let mut batches = slices(tiles, stage.lens);
            batches.extend(deep_slices(sky, &wanted));
            batches
        }
        _ => Vec::new(),
    };
    Box::new(whole_sky.into_iter())
}

/// An index that was built for stated fields.
fn is_deep(index: &StarIndex) -> bool {
    index_serves(index).is_some()
}

/// Quads of a batch of a deep index: some 30 ms of scanning on one core.
const DEEP_BATCH_QUADS: u64 = 4_000_000;

/// The deep star-indexes: small ones (of a region, as a rule: what the user cares for) first and
/// each at once; then band by band, those with the largest quads first.
fn deep_slices(sky: &Sky, wanted: &impl Fn(usize, &Band) -> bool) -> Vec<Batch> {
    let mut bands: Vec<(u32, usize, usize)> = Vec::new();
    let mut batches = Vec::new();
    for (number, index) in sky.indexes().iter().enumerate() {
        if !is_deep(index) {
            continue;
        }
        if index.header().quads <= DEEP_BATCH_QUADS {
            batches.push(sky.tiles(|i, band| i == number && wanted(i, band)));
            continue;
        }
        for (k, band) in index.bands().iter().enumerate() {
            bands.push((band.thin_depth, number, k));
        }
    }
    bands.sort_unstable();
    for (_, number, k) in bands {
        let band = &sky.indexes()[number].bands()[k];
        let depth = band.thin_depth;
        let tiles = sky.tiles(|i, b| i == number && b.thin_depth == depth && wanted(i, b));
        let slices = band.quads.div_ceil(DEEP_BATCH_QUADS) as usize;
        batches.extend(
            (0..slices).map(|slice| tiles.iter().skip(slice).step_by(slices).copied().collect()),
        );
    }
    batches.retain(|tiles: &Vec<SkyTile>| !tiles.is_empty());
    batches
        .into_iter()
        .map(|tiles| Batch {
            tiles,
            radius_deg: 180.0,
        })
        .collect()
}

/// How far the rings of a spiral reach, degrees.
fn ring_radii() -> impl Iterator<Item = f64> {
    std::iter::successors(Some(FIRST_RING_DEG), |radius| Some(radius * RING_GROWTH))
}

/// Tiles sorted by distance in rings about the start, those beyond `from_deg`, a ring's radius, up to
/// `to_deg`.
fn rings(tiles: &[SkyTile], from_deg: f64, to_deg: f64) -> Vec<Batch> {
    let mut batches: Vec<Batch> = Vec::new();
    let mut rest = &tiles[tiles.partition_point(|t| t.distance_deg <= from_deg)..];
    for ring_deg in ring_radii().skip_while(|ring_deg| *ring_deg <= from_deg) {
        if rest.is_empty() {
            break;
        }
        let reach = ring_deg.min(to_deg);
        let count = rest.partition_point(|t| t.distance_deg <= reach);
        let (ring, after) = rest.split_at(count);
        if !ring.is_empty() {
            batches.push(Batch {
                tiles: ring.to_vec(),
                radius_deg: reach,
            });
        }
        rest = after;
    }
    batches
}

/// The whole sky: larger quads at once, then the smallest in slices.
fn slices(tiles: Vec<SkyTile>, lens: Lens) -> Vec<Batch> {
    let (narrow, wide): (Vec<SkyTile>, Vec<SkyTile>) = tiles
        .into_iter()
        .partition(|t| t.band == 0 && lens == Lens::Flat);
    let mut batches = vec![wide];
    // Slices of mixed places: stepping through the sky rather than along it makes every slice
    // alike.
    batches.extend(
        (0..SLICES).map(|slice| narrow.iter().skip(slice).step_by(SLICES).copied().collect()),
    );
    batches.retain(|tiles: &Vec<SkyTile>| !tiles.is_empty());
    batches
        .into_iter()
        .map(|tiles| Batch {
            tiles,
            radius_deg: 180.0,
        })
        .collect()
}
