//! Deep builds: the same index whatever the threads, the memory and the order of the inputs, and
//! after any interruption.

use index_builder::catalogue::Input;
use index_builder::deep::{Needs, Order, Progress, Region, build};
use index_builder::synthetic::{CSV_HEAD, SyntheticSky, write_csv};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

struct Silent;

impl Progress for Silent {
    fn read(&self, _: u64) {}
    fn pass(&self, _: &'static str, _: u64) {}
    fn step(&self) {}
}

/// A made-up sky of this many stars in several tables.
fn tables(folder: &Path, stars: u64, count: u64) -> Vec<PathBuf> {
    let sky = SyntheticSky::new(stars, 11).unwrap();
    (0..count)
        .map(|number| {
            let path = folder.join(format!("sky-{number}.csv"));
            let mut file = std::io::BufWriter::new(std::fs::File::create(&path).unwrap());
            writeln!(file, "{CSV_HEAD}").unwrap();
            let part = number * sky.cells() / count..(number + 1) * sky.cells() / count;
            for cell in part {
                write_csv(&sky.stars(cell), &mut file).unwrap();
            }
            file.flush().unwrap();
            path
        })
        .collect()
}

#[test]
fn threads_memory_and_order_of_inputs_change_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let paths = tables(folder.path(), 400_000, 3);
    let needs = Needs::of("1..2".parse().unwrap());
    let region = Region::within(180.0, &[]);
    let built = |threads: usize, memory_bytes: u64, reversed: bool| {
        let mut inputs: Vec<Input> = paths.iter().cloned().map(Input::new).collect();
        if reversed {
            inputs.reverse();
        }
        let out = folder.path().join("deep.nfsky");
        let order = Order {
            out: &out,
            inputs: &inputs,
            needs: &needs,
            region: &region,
            faintest_mag: f64::INFINITY,
            bright: &[],
            memory_bytes,
            origin: "made up",
        };
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
        let summary = pool.build().unwrap().install(|| build(&order, &Silent));
        let summary = summary.unwrap();
        let left: Vec<_> = std::fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name())
            .filter(|name| name.to_string_lossy().starts_with("deep.nfsky."))
            .collect();
        assert!(left.is_empty(), "work files are left: {left:?}");
        (summary, std::fs::read(&out).unwrap())
    };
    let (summary, expected) = built(1, 2_000_000_000, false);
    assert!(summary.rows > 390_000 && summary.stars > 300_000);
    assert_eq!(summary.file_bytes, expected.len() as u64);
    // So little memory that every table takes several runs.
    for (threads, memory_bytes, reversed) in [(4, 1, true), (2, 1, false), (3, 1 << 31, true)] {
        let (again, bytes) = built(threads, memory_bytes, reversed);
        assert_eq!(again, summary);
        assert!(bytes == expected, "{threads} threads, {memory_bytes} bytes");
    }
}

fn started(paths: &[PathBuf], out: &Path) -> Child {
    Command::new(env!("CARGO_BIN_EXE_index-builder"))
        .args(["build", "--for-fields", "1..2", "--no-fill-in"])
        .args(["--around", "100 40", "--radius", "30", "--out"])
        .arg(out)
        .args(paths)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Killed at moments all over the build, it leaves no index or the whole one, and the next run
/// finishes the work.
#[test]
fn a_killed_build_leaves_nothing_half_and_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let paths = tables(folder.path(), 200_000, 4);
    let out = folder.path().join("undisturbed.nfsky");
    let began = Instant::now();
    assert!(started(&paths, &out).wait().unwrap().success());
    let whole_run = began.elapsed();
    let expected = std::fs::read(&out).unwrap();
    for moment in 1..9_u32 {
        let out = folder.path().join(format!("killed-{moment}.nfsky"));
        let mut build = started(&paths, &out);
        std::thread::sleep((whole_run * moment / 9).max(Duration::from_millis(1)));
        build.kill().unwrap();
        build.wait().unwrap();
        if let Ok(bytes) = std::fs::read(&out) {
            assert!(
                bytes == expected,
                "moment {moment}: an index that is not whole"
            );
        }
        assert!(started(&paths, &out).wait().unwrap().success());
        assert!(std::fs::read(&out).unwrap() == expected, "moment {moment}");
        let mut work = out.into_os_string();
        work.push(".work");
        assert!(
            !Path::new(&work).exists(),
            "moment {moment}: work files are left"
        );
    }
}
