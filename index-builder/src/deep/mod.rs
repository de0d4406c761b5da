//! Deep star-indexes: any number of catalogue stars, in bounded memory, of the whole sky or of a
//! region.
//!
//! Four passes. **Read**: stars of all inputs, many at once, thinned and sorted by cell into runs
//! on disk ([`read`]). **Gather**: per part of the sky the runs are merged and thinned again,
//! bright stars that the catalogue lacks are filled in, and what is listed twice is left once, also
//! where a part ends ([`gather`]). **Number**: stars go to their tiers in the index and get their
//! numbers. **Quads**: per part of the sky, with what is needed of the parts around it ([`quads`]).
//! No pass holds more than a part of the sky, the stars at the parts' borders and the buffers of
//! the first, so that the time per star does not depend on their number.

mod fields;
mod folder;
mod gather;
mod grid;
mod number;
mod once;
mod quads;
mod read;
mod region;
mod stars;

pub use fields::{Band, Fields, Needs};
pub use region::Region;

use crate::catalogue::{CatalogueError, CatalogueStar, Input};
use folder::WorkFolder;
use once::{Enough, Set};
use rayon::prelude::*;
use star_index::layout::TIER_DEPTH;
use star_index::write::TileTooFull;
use star_index::writer::{About, BandShape, IndexWriter, WriteError};
use stars::{Keep, Numbered, PARTITION_DEPTH, PARTITIONS};
use std::io;
use std::path::{Path, PathBuf};

const _: () = assert!(TIER_DEPTH == PARTITION_DEPTH);

/// Julian year of the positions in a deep index: that of the default index.
pub const EPOCH_JYEAR: f64 = 2000.0;

/// What to build.
#[derive(Debug)]
pub struct Order<'a> {
    /// The star-index to write.
    pub out: &'a Path,
    /// Catalogue files.
    pub inputs: &'a [Input],
    /// Stars and quads that are needed.
    pub needs: &'a Needs,
    /// The part of the sky.
    pub region: &'a Region,
    /// No stars fainter than this.
    pub faintest_mag: f64,
    /// Bright stars to fill in where the inputs lack them.
    pub bright: &'a [CatalogueStar],
    /// Bytes of memory that buffers may take.
    pub memory_bytes: u64,
    /// Where the stars came from.
    pub origin: &'a str,
}

/// Why a deep index could not be built.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DeepError {
    /// An input cannot be used.
    #[error(transparent)]
    Catalogue(#[from] CatalogueError),
    /// Work files or the index cannot be written.
    #[error("{}: cannot be written: {source}", path.display())]
    Write {
        /// The index or work folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Nothing is left to build from.
    #[error(
        "none of the {rows} rows read lies in the region and is bright enough: look at --around, --radius and --faintest"
    )]
    NoStars {
        /// Rows read.
        rows: u64,
    },
    /// A tile that needs more stars than can be named in it.
    #[error(transparent)]
    TooFull(#[from] TileTooFull),
}

/// What a build came to.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    /// Rows read from the inputs.
    pub rows: u64,
    /// Rows without a position or magnitude.
    pub unusable: u64,
    /// Rows in the region and bright enough.
    pub wanted: u64,
    /// Bright stars filled in.
    pub filled_in: u64,
    /// Stars left out because another one is the same light.
    pub repeated: u64,
    /// Stars kept.
    pub stars: u64,
    /// Magnitude to which the faintest stars kept reach in 5, 50 and 95 % of the cells that are
    /// full; NaN without such cells.
    pub depth_mag: [f64; 3],
    /// Part of the sky covered, 0 to 1.
    pub covered_share: f64,
    /// Per band: depth of its cells, quads, shortest and longest AB in degrees.
    pub bands: Vec<(u8, u64, [f64; 2])>,
    /// Length of the file.
    pub file_bytes: u64,
}

/// How far a build is.
pub trait Progress: Sync {
    /// So many bytes of the inputs were read since the last call.
    fn read(&self, bytes: u64);
    /// A pass of this many steps begins.
    fn pass(&self, name: &'static str, steps: u64);
    /// A step of the pass is done.
    fn step(&self);
}

/// Builds a deep star-index. The same inputs give the same bytes, with any number of threads and
/// any amount of memory.
///
/// # Errors
///
/// See [`DeepError`]. What was read completely is kept in a work folder beside the index, and the
/// same order given again goes on from there.
pub fn build(order: &Order<'_>, progress: &dyn Progress) -> Result<Summary, DeepError> {
    let failed = |source| DeepError::Write {
        path: order.out.to_owned(),
        source,
    };
    let keep = Keep {
        depth: order.needs.depth,
        per_cell: order.needs.per_cell,
    };
    let settings = format!(
        "1 {:?} {} {}",
        order.needs,
        order.region.describe(),
        order.faintest_mag
    );
    let folder = WorkFolder::open(order.out, &settings).map_err(failed)?;
    let mut summary = Summary::default();
    read::read(order, keep, &folder, progress, &mut summary)?;
    let gathered = gather::gather(order, keep, &folder, progress, &mut summary).map_err(failed)?;
    if summary.stars == 0 {
        let rows = summary.rows;
        folder.discard().map_err(failed)?;
        return Err(DeepError::NoStars { rows });
    }
    let unfinished = folder.file("index.unfinished");
    let file = number::create(&unfinished).map_err(failed)?;
    let tiers = number::Tiers::new(&gathered, keep, summary.covered_share);
    let bands = order.needs.bands.iter().map(|band| BandShape {
        depth: band.tile_depth,
        thin_depth: band.thin_depth,
    });
    let bands: Vec<BandShape> = bands.collect();
    let mut writer = IndexWriter::new(file, &tiers.shapes(), &bands).map_err(failed)?;
    tiers
        .write(&folder, &mut writer, progress)
        .map_err(failed)?;
    write_quads(order, keep, &folder, &mut writer, progress, &mut summary).map_err(|error| {
        match error {
            WriteError::TooFull(error) => DeepError::TooFull(error),
            WriteError::Io(source) => failed(source),
            other => failed(io::Error::other(other)),
        }
    })?;
    let fields = &order.needs.fields;
    let about = About {
        epoch_jyear: EPOCH_JYEAR,
        origin: order.origin,
        fields_deg: [fields.narrowest_deg, fields.widest_deg],
        covered_share: summary.covered_share,
    };
    let file = writer.finish(&about).map_err(failed)?;
    file.sync_all().map_err(failed)?;
    summary.file_bytes = file.metadata().map_err(failed)?.len();
    drop(file);
    std::fs::rename(&unfinished, order.out).map_err(failed)?;
    folder.discard().map_err(failed)?;
    Ok(summary)
}

/// The quads of every part of the sky, a few parts at once.
fn write_quads<F: io::Read + io::Write + io::Seek>(
    order: &Order<'_>,
    keep: Keep,
    folder: &WorkFolder,
    writer: &mut IndexWriter<F>,
    progress: &dyn Progress,
    summary: &mut Summary,
) -> Result<(), WriteError> {
    progress.pass("quads", PARTITIONS as u64);
    let enough = Enough::of(order.needs);
    summary.bands = order
        .needs
        .bands
        .iter()
        .map(|band| (band.thin_depth, 0, [f64::INFINITY, 0.0]))
        .collect();
    let all: Vec<usize> = (0..PARTITIONS).collect();
    for some in all.chunks(2 * rayon::current_num_threads()) {
        let made: Vec<Result<_, WriteError>> = some
            .par_iter()
            .map(|&partition| quads_of(order.needs, &enough, keep, folder, partition))
            .collect();
        for bands in made {
            for (band, (tiles, size_rad)) in bands?.into_iter().enumerate() {
                writer.put_tiles(band, &tiles)?;
                writer.widen(band, size_rad);
                let (_, quads, size) = &mut summary.bands[band];
                *quads += tiles.quads();
                let [shortest, longest] = size_rad.map(f64::to_degrees);
                *size = [size[0].min(shortest), size[1].max(longest)];
            }
            progress.step();
        }
    }
    Ok(())
}

type BandTiles = (star_index::write::EncodedTiles, [f64; 2]);

fn quads_of(
    needs: &Needs,
    enough: &Enough,
    keep: Keep,
    folder: &WorkFolder,
    partition: usize,
) -> Result<Vec<BandTiles>, WriteError> {
    let own: Vec<Numbered> = stars::read_records(&number::file_of(folder, partition))?;
    if own.is_empty() {
        return Ok(Vec::new());
    }
    let mut bands: Vec<quads::Neighbourhood> = needs
        .bands
        .iter()
        .map(|band| quads::Neighbourhood::new(band, keep, partition))
        .collect();
    bands.iter_mut().for_each(|band| band.add(&own));
    drop(own);
    for neighbour in quads::around(partition).into_iter().skip(1) {
        let stars: Vec<Numbered> = stars::read_records(&number::file_of(folder, neighbour))?;
        bands.iter_mut().for_each(|band| band.add(&stars));
    }
    let mut sets: Vec<Vec<Set>> = bands.iter_mut().map(quads::Neighbourhood::sets).collect();
    enough.keep(&mut sets, |band, star| bands[band].number(star));
    let tiles: Result<Vec<BandTiles>, TileTooFull> = bands
        .iter()
        .zip(&sets)
        .map(|(band, sets)| band.tiles(sets))
        .collect();
    Ok(tiles?)
}
