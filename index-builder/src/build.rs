//! A catalogue becomes a star-index.

use crate::catalogue::Catalogue;
use crate::choose::{Recipe, quads_by_tile};
use crate::repeats;
use crate::select::brightest_per_cell;
use rayon::prelude::*;
use star_index::StarRecord;
use star_index::write::{BandContents, Contents, StarTable, StoredQuad, TileForm};
use star_index::writer::{About, WriteError};

/// Records of catalogue stars.
pub fn records_of(catalogue: &Catalogue) -> Vec<StarRecord> {
    catalogue
        .stars
        .iter()
        .map(|star| {
            // libm rather than the system's sine: the same bytes on every system.
            let (ra, dec) = (star.ra_deg.to_radians(), star.dec_deg.to_radians());
            let (sa, ca) = (libm::sin(ra), libm::cos(ra));
            let (sd, cd) = (libm::sin(dec), libm::cos(dec));
            StarRecord::new([cd * ca, cd * sa, sd], star.pm_mas_yr, star.mag)
        })
        .collect()
}

/// HEALPix depth of the cells that thin the stars of the first band.
const FIRST_DEPTH: u8 = 7;

/// The bands of the default index: fields from 1 to 60 deg wide.
///
/// Each band thins the sky to a few stars per cell, so that a 3:2 field of twice the cell's edge
/// holds about ten of them; from one band to the next cells grow by a factor of two. The figures
/// come from the measurements in `COVERAGE.md`.
pub fn default_recipes() -> Vec<Recipe> {
    (1..=FIRST_DEPTH)
        .rev()
        .map(|depth| {
            let edge_rad = std::f64::consts::FRAC_PI_3 / f64::from(1_u32 << depth);
            let common = Recipe {
                thin_depth: depth,
                per_cell: 4,
                neighbours: 5,
                neighbours_sparse: 5,
                sparse_rad: edge_rad,
                longest_rad: 2.6 * edge_rad,
                tile_depth: depth.saturating_sub(2),
                form: TileForm::Grouped,
            };
            if depth < FIRST_DEPTH {
                return common;
            }
            // No smaller band helps out in the smallest fields: more stars, and more neighbours
            // where they are far apart, fewer where they are plenty. Two thirds of all quads, and
            // the last that are looked at: their codes are left out.
            Recipe {
                per_cell: 5,
                neighbours: 4,
                neighbours_sparse: 6,
                sparse_rad: 0.7 * edge_rad,
                form: TileForm::Codeless,
                ..common
            }
        })
        .collect()
}

/// Length of AB of the smallest and the largest quad, radians; zeros where no tile holds a quad.
fn sizes(records: &[StarRecord], tiles: &[Vec<StoredQuad>]) -> [f64; 2] {
    let chord2 = |quad: &StoredQuad| {
        let [a, b] = [quad.stars[0], quad.stars[1]].map(|i| records[i as usize].vector());
        (0..3).map(|i| (a[i] - b[i]) * (a[i] - b[i])).sum::<f64>()
    };
    let range = tiles
        .par_iter()
        .flatten()
        .map(|quad| [chord2(quad); 2])
        .reduce_with(|a, b| [a[0].min(b[0]), a[1].max(b[1])]);
    let angle = |chord2: f64| 2.0 * libm::asin((0.5 * chord2.sqrt()).min(1.0));
    range.unwrap_or_default().map(angle)
}

/// A star-index in memory.
#[derive(Debug, Clone)]
pub struct Built {
    /// The stars in file order.
    pub table: StarTable,
    /// The bands.
    pub bands: Vec<BandContents>,
    /// The file.
    pub bytes: Vec<u8>,
}

/// Builds the star-index of `catalogue` with one band per recipe; stars that the catalogue lists
/// twice are in it once. The same input gives the same bytes, on every system and with any number
/// of threads.
///
/// `origin` says where the stars came from; the file keeps the first 144 bytes of it.
///
/// # Errors
///
/// A tile that needs more stars than its local numbers can name.
pub fn build(catalogue: &Catalogue, recipes: &[Recipe], origin: &str) -> Result<Built, WriteError> {
    let mut records = records_of(catalogue);
    repeats::leave_out(&mut records);
    let table = StarTable::new(&records);
    let bands: Vec<BandContents> = recipes
        .iter()
        .map(|recipe| {
            let chosen = brightest_per_cell(&table.records, recipe.thin_depth, recipe.per_cell);
            let tiles = quads_by_tile(&table.records, &chosen, recipe);
            BandContents {
                depth: recipe.tile_depth,
                thin_depth: recipe.thin_depth,
                size_rad: sizes(&table.records, &tiles),
                form: recipe.form,
                tiles,
            }
        })
        .collect();
    let contents = Contents {
        about: About {
            epoch_jyear: catalogue.epoch_jyear,
            origin,
            fields_deg: [0.0; 2],
            covered_share: 1.0,
        },
        table: &table,
        bands,
    };
    let bytes = contents.to_bytes()?;
    let bands = contents.bands;
    Ok(Built {
        table,
        bands,
        bytes,
    })
}
