//! A small star-index to damage.

use star_index::StarRecord;
use star_index::layout::cells_of_depth;
use star_index::quad::{canonical, on_tangent_plane, pack};
use star_index::write::{BandContents, Contents, StarTable, StoredQuad, TileForm, cell_of};
use star_index::writer::About;

/// This many stars on a golden spiral, quads of neighbours in three bands, one of each form.
pub fn good_of(count: usize) -> Vec<u8> {
    let stars: Vec<StarRecord> = (0..count)
        .map(|i| {
            let z = 1.0 - (2 * i + 1) as f64 / count as f64;
            // The golden angle, 2.39996 rad.
            let (sin, cos) = (std::f64::consts::PI * (3.0 - 5_f64.sqrt()) * i as f64).sin_cos();
            let across = (1.0 - z * z).sqrt();
            let mag = (i * 37 % 1100) as f64 / 100.0;
            StarRecord::new([across * cos, across * sin, z], [1.0, -2.0], mag)
        })
        .collect();
    let table = StarTable::new(&stars);
    let band = |depth: u8, step: usize, form: TileForm| {
        let mut tiles = vec![Vec::new(); cells_of_depth(depth)];
        for first in (0..(count - 3) as u32).step_by(step) {
            let set = [first, first + 1, first + 2, first + 3];
            let vectors = set.map(|i| table.records[i as usize].vector());
            let Some(ordered) = on_tangent_plane(vectors).and_then(|p| canonical(&p)) else {
                continue;
            };
            let stars = ordered.order.map(|k| set[k]);
            let tile = cell_of(table.records[stars[0] as usize].vector(), depth);
            let code = pack(ordered.code);
            tiles[tile as usize].push(StoredQuad { code, stars });
        }
        let size_rad = [0.0, 1.0];
        BandContents {
            depth,
            thin_depth: depth,
            size_rad,
            form,
            tiles,
        }
    };
    let contents = Contents {
        about: About {
            epoch_jyear: 2000.0,
            origin: "synthetic",
            fields_deg: [0.0; 2],
            covered_share: 1.0,
        },
        table: &table,
        bands: vec![
            band(3, 5, TileForm::Codeless),
            band(2, 4, TileForm::Grouped),
            band(1, 7, TileForm::Plain),
        ],
    };
    contents.to_bytes().expect("few stars a tile")
}
