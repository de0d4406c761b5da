//! The `index-builder` command.
use std::path::Path;
fn main() {
    let t = std::time::Instant::now();
    let catalogue =
        index_builder::catalogue::read(Path::new(&std::env::args().nth(1).unwrap())).unwrap();
    eprintln!("read {:?}", t.elapsed());
    let mut recipes = index_builder::build::default_recipes();
    let arg = |n: usize, d: f64| std::env::args().nth(n).map_or(d, |a| a.parse().unwrap());
    let edge = std::f64::consts::FRAC_PI_3 / 128.0;
    recipes[0].per_cell = arg(2, 4.0) as usize;
    recipes[0].neighbours = arg(3, 5.0) as usize;
    recipes[0].neighbours_sparse = arg(4, 5.0) as usize;
    recipes[0].sparse_rad = arg(5, 1.0) * edge;
    recipes[0].longest_rad = arg(6, 2.6) * edge;
    let b = index_builder::build::build(&catalogue, &recipes, "x").unwrap();
    eprintln!("built {:?}", t.elapsed());
    for band in &b.bands {
        let q: usize = band.tiles.iter().map(Vec::len).sum();
        let m: usize = band.tiles.iter().map(Vec::len).max().unwrap();
        print!("d{} {q} (max {m}); ", band.depth);
    }
    println!("{} MB", b.bytes.len() as f64 / 1e6);
    for c in index_builder::coverage::measure(
        &b.table.records,
        &b.bands,
        &[1.0, 1.25, 1.5, 2.5, 5.0, 10.0, 25.0, 50.0],
        arg(7, 4000.0) as usize,
    ) {
        let p = |n: usize| 100.0 * n as f64 / c.counted as f64;
        println!(
            "{:5} counted {:.1}%  >=1 {:.2} >=2 {:.2} >=5 {:.2}",
            c.width_deg,
            100.0 * c.counted as f64 / c.windows as f64,
            p(c.with_quads[0]),
            p(c.with_quads[1]),
            p(c.with_quads[2])
        );
    }
    eprintln!("all {:?}", t.elapsed());
}
