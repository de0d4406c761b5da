//! Stars from a catalogue service: the index must be the one that a complete local table gives,
//! whatever happens on the way.

mod service;

use index_builder::synthetic::SyntheticSky;
use service::{Manners, Row, Service};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

const AT: &str = "132.85 11.81";
const AT_DEG: [f64; 2] = [132.85, 11.81];

/// A made-up sky around the target, deeper than what is asked for.
fn rows() -> Vec<Row> {
    let sky = SyntheticSky::new(600_000_000, 3).unwrap();
    let [lon, lat] = AT_DEG.map(f64::to_radians);
    let near = cdshealpix::nested::cone_coverage_approx(5, lon, lat, 1_f64.to_radians());
    let stars = near.flat_iter().flat_map(|cell| sky.stars(cell));
    stars
        .map(|s| [s.ra_deg, s.dec_deg, s.pm_mas_yr[0], s.pm_mas_yr[1], s.mag])
        .collect()
}

fn index_builder(arguments: &[&str], paths: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_index-builder"));
    for variable in ["http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"] {
        command.env_remove(variable);
    }
    command.args(arguments).args(paths).output().unwrap()
}

const REGION: [&str; 6] = ["--for-fields", "0.3..1", "--around", AT, "--radius", "0.7"];

fn build(out: &Path, service: &Service) -> Output {
    let asked = ["build", "--tap", &service.url, "--pause", "0"];
    let arguments: Vec<&str> = asked.into_iter().chain(REGION).chain(["--out"]).collect();
    index_builder(&arguments, &[out])
}

/// The index of the complete table, named like the service's so that the origin is the same.
fn expected() -> &'static [u8] {
    static BYTES: OnceLock<Vec<u8>> = OnceLock::new();
    BYTES.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let table = folder.path().join("gaiadr3.gaia_source.csv");
        let mut text = String::from("ra,dec,pmra,pmdec,phot_g_mean_mag,ref_epoch\n");
        for [ra, dec, pm_ra, pm_dec, mag] in rows() {
            text += &format!("{ra},{dec},{pm_ra},{pm_dec},{mag},2016.0\n");
        }
        std::fs::write(&table, text).unwrap();
        let out = folder.path().join("sky.nfsky");
        let arguments: Vec<&str> = ["build"]
            .into_iter()
            .chain(REGION)
            .chain(["--out"])
            .collect();
        let output = index_builder(&arguments, &[&out, &table]);
        assert!(output.status.success(), "{}", stderr(&output));
        std::fs::read(out).unwrap()
    })
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn names(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap();
    entries.map(|entry| entry.unwrap().path()).collect()
}

#[track_caller]
fn assert_same_index(manners: Manners) -> u64 {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("sky.nfsky");
    let service = Service::start(rows(), manners);
    let output = build(&out, &service);
    assert!(output.status.success(), "{}", stderr(&output));
    assert!(std::fs::read(&out).unwrap() == expected(), "another index");
    // Nothing else is left.
    assert_eq!(names(folder.path()), [out]);
    service.requests()
}

#[test]
fn a_service_gives_the_index_of_the_complete_table() {
    let requests = assert_same_index(Manners::default());
    assert!((10..100).contains(&requests), "{requests} requests");
}

#[test]
fn binary_rows_are_the_same_rows() {
    assert_same_index(Manners {
        binary: true,
        ..Manners::default()
    });
}

#[test]
fn what_is_cut_is_asked_for_in_smaller_pieces() {
    for (most, silently_most) in [(Some(100), None), (None, Some(100))] {
        assert_same_index(Manners {
            most,
            silently_most,
            ..Manners::default()
        });
    }
}

#[test]
fn what_fails_in_passing_is_asked_again() {
    assert_same_index(Manners {
        busy: Some(3),
        breaks_off: Some(5),
        half: Some(7),
        ..Manners::default()
    });
}

#[test]
fn a_fetch_that_was_interrupted_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("sky.nfsky");
    let service = Service::start(rows(), Manners::default());
    let whole = {
        let other = Service::start(rows(), Manners::default());
        assert!(
            build(&folder.path().join("other.nfsky"), &other)
                .status
                .success()
        );
        other.requests()
    };
    service.behave(Manners {
        dies: Some(whole / 2),
        ..Manners::default()
    });
    let output = build(&out, &service);
    assert_eq!(output.status.code(), Some(69), "{}", stderr(&output));
    let last = stderr(&output).lines().last().unwrap().to_owned();
    for part in [&*service.url, "500", "run the same command later"] {
        assert!(last.contains(part), "{last}");
    }
    assert!(!out.exists());
    service.behave(Manners::default());
    let before = service.requests();
    let output = build(&out, &service);
    assert!(output.status.success(), "{}", stderr(&output));
    assert!(std::fs::read(&out).unwrap() == expected());
    let after = service.requests() - before;
    // What was complete is not asked for again; a piece that was begun is.
    assert!(
        after <= whole - whole / 2 + 4,
        "{after} of {whole} requests"
    );
}

#[test]
fn a_refused_query_is_asked_once_and_the_reason_shown() {
    for status in [400, 200] {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("sky.nfsky");
        let service = Service::start(
            Vec::new(),
            Manners {
                refuses: Some(status),
                ..Manners::default()
            },
        );
        let output = build(&out, &service);
        assert_eq!(output.status.code(), Some(69), "{}", stderr(&output));
        let last = stderr(&output).lines().last().unwrap().to_owned();
        assert!(last.contains("no such <column> & no other"), "{last}");
        assert_eq!(service.requests(), 1);
        assert!(!out.exists());
    }
}

#[test]
fn counts_that_never_agree_make_no_index() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("sky.nfsky");
    let service = Service::start(
        rows(),
        Manners {
            miscounts: true,
            ..Manners::default()
        },
    );
    let output = build(&out, &service);
    assert_eq!(output.status.code(), Some(69), "{}", stderr(&output));
    assert!(stderr(&output).contains("counts"), "{}", stderr(&output));
    assert!(!out.exists());
}

#[test]
fn a_fetch_is_kept_and_belongs_to_its_settings() {
    let folder = tempfile::tempdir().unwrap();
    let kept = folder.path().join("kept");
    let service = Service::start(rows(), Manners::default());
    let fetch = |radius: &str| {
        let asked = [
            "fetch",
            "--tap",
            &service.url,
            "--pause",
            "0",
            "--for-fields",
            "0.3..1",
        ];
        let region = ["--around", AT, "--radius", radius, "--out"];
        let arguments: Vec<&str> = asked.into_iter().chain(region).collect();
        index_builder(&arguments, &[&kept])
    };
    let output = fetch("0.7");
    assert!(output.status.success(), "{}", stderr(&output));
    let requests = service.requests();
    assert!(fetch("0.7").status.success());
    assert_eq!(service.requests(), requests);
    let output = fetch("0.5");
    assert_eq!(output.status.code(), Some(64), "{}", stderr(&output));

    let out = folder.path().join("sky.nfsky");
    let tables: Vec<PathBuf> = names(&kept)
        .into_iter()
        .filter(|path| path.extension().is_some_and(|end| end == "gz"))
        .collect();
    let arguments: Vec<&str> = ["build"]
        .into_iter()
        .chain(REGION)
        .chain(["--out"])
        .collect();
    let paths: Vec<&Path> = [&*out]
        .into_iter()
        .chain(tables.iter().map(|p| &**p))
        .collect();
    assert!(index_builder(&arguments, &paths).status.success());
    let stars = |path: &Path| star_index::StarIndex::open(path).unwrap().header().stars;
    let whole = folder.path().join("whole.nfsky");
    std::fs::write(&whole, expected()).unwrap();
    assert_eq!(stars(&out), stars(&whole));
}

#[test]
fn an_estimate_asks_nobody() {
    let service = Service::start(Vec::new(), Manners::default());
    let asked = ["build", "--estimate", "--tap", &service.url];
    let arguments: Vec<&str> = asked.into_iter().chain(REGION).chain(["--out"]).collect();
    let output = index_builder(&arguments, &[Path::new("x.nfsky")]);
    assert!(output.status.success(), "{}", stderr(&output));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(text.contains("rows of gaiadr3.gaia_source"), "{text}");
    assert_eq!(service.requests(), 0);
}
