//! The same stars from every form of table, each written by other software than reads it here:
//! see tests/catalogues/make.py.

use index_builder::catalogue::{Input, InputStar, ReadCounts};
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/catalogues")
}

/// Names of the tables in the folder.
fn tables() -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name != "make.py")
        .collect();
    names.sort();
    names
}

fn read(path: &Path) -> Result<(ReadCounts, Vec<InputStar>), String> {
    let mut stars = Vec::new();
    let mut take = |mut batch: Vec<InputStar>| {
        stars.append(&mut batch);
        true
    };
    let counts = Input::new(path.to_owned())
        .read(&mut |_| (), &mut take)
        .map_err(|error| error.to_string())?;
    Ok((counts, stars))
}

/// RA, Dec, both proper motions, magnitude, epoch.
type Row = ([f64; 4], f32, f64);

/// What the plain table says, by nothing but splitting its lines.
fn truth() -> Vec<Row> {
    let text = std::fs::read_to_string(folder().join("stars.csv")).unwrap();
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    lines
        .filter_map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            let of = |name: &str| -> Option<f64> {
                let place = names.iter().position(|n| *n == name).unwrap();
                (!fields[place].is_empty()).then(|| fields[place].parse().unwrap())
            };
            let motion = of("pmra").zip(of("pmdec")).unwrap_or_default();
            Some((
                [of("ra")?, of("dec")?, motion.0, motion.1],
                of("phot_g_mean_mag")? as f32,
                of("ref_epoch")?,
            ))
        })
        .collect()
}

#[test]
fn every_form_of_table_gives_the_same_stars() {
    let truth = truth();
    // Forty rows less the one without position and the one without magnitude.
    assert_eq!(truth.len(), 38);
    assert!(truth.iter().any(|(numbers, ..)| numbers[2..] == [0.0, 0.0]));
    let tables = tables();
    for form in [
        ".csv", ".csv.gz", ".ecsv", ".ecsv.gz", ".fits", ".vot", ".parquet",
    ] {
        assert!(tables.iter().any(|name| name.ends_with(form)), "{form}");
    }
    for name in tables {
        let (counts, stars) = read(&folder().join(&name)).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!((counts.rows, counts.unusable), (40, 2), "{name}");
        let found: Vec<Row> = stars
            .iter()
            .map(|InputStar { star, epoch_jyear }| {
                let [east, north] = star.pm_mas_yr;
                let numbers = [star.ra_deg, star.dec_deg, east, north];
                (numbers, star.mag as f32, *epoch_jyear)
            })
            .collect();
        assert_eq!(found, truth, "{name}");
    }
}

/// A table cut anywhere gives an error that names it, or less rows than it claims to hold only
/// where the form has no way to tell (text without an end).
#[test]
fn cut_tables_are_noticed() {
    let cut = tempfile::tempdir().unwrap();
    for name in tables() {
        let whole = std::fs::read(folder().join(&name)).unwrap();
        let plain_text = name.ends_with(".csv") || name.ends_with(".ecsv");
        for part in 1..16 {
            let path = cut.path().join(&name);
            std::fs::write(&path, &whole[..whole.len() * part / 16]).unwrap();
            match read(&path) {
                Err(what) => assert!(what.contains(&name), "{what}"),
                Ok((counts, stars)) => {
                    assert!(plain_text, "{name} cut at {part}/16 was taken for whole");
                    assert!(counts.rows < 40 && stars.len() < 38);
                }
            }
        }
    }
}

/// Every bit of a small table turned, one at a time: an answer or an error, nothing else.
#[test]
fn damaged_tables_do_no_harm() {
    let damaged = tempfile::tempdir().unwrap();
    let mut read_all = 0;
    for name in tables() {
        let whole = std::fs::read(folder().join(&name)).unwrap();
        let path = damaged.path().join(&name);
        for at in (0..whole.len()).step_by(7) {
            let mut bytes = whole.clone();
            bytes[at] ^= 1 << (at % 8);
            std::fs::write(&path, &bytes).unwrap();
            match read(&path) {
                Ok((counts, stars)) => {
                    assert!(
                        stars.len() as u64 + counts.unusable <= counts.rows,
                        "{name} {at}"
                    );
                    read_all += 1;
                }
                Err(what) => assert!(what.contains(&name), "{what}"),
            }
        }
    }
    assert!(read_all > 0);
}
