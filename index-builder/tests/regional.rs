//! Regional star-indexes by command: targets from a list, several merged into one.

use index_builder::synthetic::{CSV_HEAD, SyntheticSky, write_csv};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output};

/// Two targets whose circles overlap, one elsewhere.
const TARGETS: [[f64; 2]; 3] = [[132.85, 11.81], [133.6, 12.2], [310.0, -60.5]];

fn index_builder<'a>(arguments: &[&str], paths: impl IntoIterator<Item = &'a Path>) -> Output {
    Command::new(env!("CARGO_BIN_EXE_index-builder"))
        .args(arguments)
        .args(paths)
        .output()
        .unwrap()
}

#[track_caller]
fn done(output: &Output) -> String {
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// A made-up sky around the targets.
fn write_table(path: &Path) {
    let sky = SyntheticSky::new(300_000_000, 5).unwrap();
    let cells: BTreeSet<u64> = TARGETS
        .iter()
        .flat_map(|at| {
            let [lon, lat] = at.map(f64::to_radians);
            let near = cdshealpix::nested::cone_coverage_approx(5, lon, lat, 0.02);
            near.flat_iter().collect::<Vec<_>>()
        })
        .collect();
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    writeln!(file, "{CSV_HEAD}").unwrap();
    for cell in cells {
        write_csv(&sky.stars(cell), &mut file).unwrap();
    }
    file.flush().unwrap();
}

#[test]
fn merged_indexes_are_the_index_of_all_targets() {
    let folder = tempfile::tempdir().unwrap();
    let place = |name: &str| folder.path().join(name);
    let table = place("stars.csv");
    write_table(&table);
    let list = place("targets.txt");
    let lines = TARGETS.map(|[ra, dec]| format!("{ra} {dec}, a name\n"));
    std::fs::write(&list, format!("# mine\n{}", lines.concat())).unwrap();

    let all = place("all.nfsky");
    let fields = [
        "build",
        "--for-fields",
        "0.3..1",
        "--radius",
        "0.8",
        "--out",
    ];
    let by_list = ["--targets", list.to_str().unwrap()];
    let arguments: Vec<&str> = fields[..5]
        .iter()
        .copied()
        .chain(by_list)
        .chain(["--out"])
        .collect();
    done(&index_builder(&arguments, [&*all, &*table]));

    let mut parts = Vec::new();
    for (number, [ra, dec]) in TARGETS.iter().enumerate() {
        let part = place(&format!("part-{number}.nfsky"));
        let around = format!("{ra} {dec}");
        let arguments: Vec<&str> = fields[..5]
            .iter()
            .copied()
            .chain(["--around", &around, "--out"])
            .collect();
        done(&index_builder(&arguments, [&*part, &*table]));
        parts.push(part);
    }
    let merged = place("merged.nfsky");
    let inputs = parts.iter().map(|part| &**part);
    done(&index_builder(
        &["merge", "--out"],
        [&*merged].into_iter().chain(inputs),
    ));
    let [found, expected] = [&merged, &all].map(|path| std::fs::read(path).unwrap());
    assert!(
        found == expected,
        "{} and {} bytes",
        found.len(),
        expected.len()
    );
}

#[test]
fn what_cannot_be_merged_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let place = |name: &str| folder.path().join(name);
    let (out, missing, other) = (
        place("out.nfsky"),
        place("no such.nfsky"),
        place("other.nfsky"),
    );
    std::fs::write(&other, vec![0; 1000]).unwrap();
    for (inputs, status, named) in [
        ([&missing, &missing], 66, "no such.nfsky"),
        ([&other, &other], 65, "other.nfsky"),
    ] {
        let paths = [&*out].into_iter().chain(inputs.map(|path| &**path));
        let output = index_builder(&["merge", "--out"], paths);
        assert_eq!(output.status.code(), Some(status));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.lines().last().unwrap().contains(named), "{said}");
        assert!(!out.exists());
    }
    let output = index_builder(&["merge", "--out"], [&*out, &*other]);
    assert_eq!(output.status.code(), Some(64), "one is not several");
}

#[test]
fn targets_that_are_none_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("targets.txt");
    std::fs::write(&list, "132.85 11.81\n8:61:00 +1:00:00\n").unwrap();
    let arguments = [
        "build",
        "--for-fields",
        "0.3..1",
        "--radius",
        "1",
        "--estimate",
        "--targets",
    ];
    let output = index_builder(
        &arguments,
        [&*list, Path::new("--out"), Path::new("x.nfsky")],
    );
    assert_eq!(output.status.code(), Some(65));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.contains("targets.txt") && said.contains("line 2"),
        "{said}"
    );
}
