//! The command line as a user meets it: help, usage errors, exit statuses, text, files written.

mod run;

use run::{nightfix, sample, solve, starless, stderr, stdout};
use std::io::Read;
use std::path::Path;
use std::process::Stdio;

/// One line on standard error that names the file, nothing on standard output.
fn assert_fault(path: &Path, status: i32) {
    let output = solve([path]);
    let message = stderr(&output);
    assert_eq!(output.status.code(), Some(status), "{message}");
    assert_eq!(message.lines().count(), 1, "{message}");
    assert!(message.contains(&*path.to_string_lossy()), "{message}");
    assert!(!message.contains("panicked"), "{message}");
    assert_eq!(stdout(&output), "");
}

#[test]
fn help_documents_options_and_exit_statuses() {
    let output = solve(["--help"]);
    assert_eq!(output.status.code(), Some(0));
    let help = stdout(&output);
    for option in [
        "--at",
        "--equinox",
        "--within",
        "--focal-length",
        "--pixel-size",
        "--scale",
        "--ignore-header",
        "--index",
        "--time-limit",
        "--threads",
        "--json",
        "--overlay",
        "--write-wcs",
        "NIGHTFIX_INDEX",
    ] {
        assert!(help.contains(option), "{option} is missing:\n{help}");
    }
    let statuses = &help[help.find("Exit status").expect("a part on exit statuses")..];
    for number in ["0", "1", "64", "65", "66", "69", "70", "73", "75"] {
        let documented = |line: &str| line.trim_start().starts_with(&format!("{number}  "));
        assert!(statuses.lines().any(documented), "{number}:\n{statuses}");
    }
}

#[test]
fn what_makes_no_sense_is_a_usage_error() {
    let cases: [&[&str]; 18] = [
        &[],
        &["--bogus", "a.fits"],
        &["a.fits", "--at", "not a place"],
        &["a.fits", "--at", "83.6 95"],
        &["a.fits", "--at", "05h61m00s +22d00m00s"],
        &["a.fits", "--equinox", "b1950"],
        &["a.fits", "--within", "0"],
        &["a.fits", "--within", "181"],
        &["a.fits", "--scale", "-1"],
        &["a.fits", "--scale", "nan"],
        &["a.fits", "--focal-length", "1e999"],
        &["a.fits", "--time-limit", "soon"],
        &["a.fits", "--threads", "0"],
        &["a.fits", "--overlay", "picture.gif"],
        &["a.fits", "b.fits", "--overlay", "picture.png"],
        &["a.fits", "--refusals", "picture.gif"],
        &["a.fits", "b.fits", "--refusals", "picture.png"],
        &["a.fits", "--within", "5", "--ignore-header"],
    ];
    for arguments in cases {
        let output = solve(arguments);
        assert_eq!(
            output.status.code(),
            Some(64),
            "{arguments:?}: {}",
            stderr(&output)
        );
        assert!(!stderr(&output).is_empty(), "{arguments:?}");
        assert_eq!(stdout(&output), "", "{arguments:?}");
    }
    assert_eq!(nightfix().output().unwrap().status.code(), Some(64));
    assert_eq!(
        nightfix().arg("salve").output().unwrap().status.code(),
        Some(64)
    );
}

#[test]
fn frames_that_cannot_be_used() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, content: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, content).unwrap();
        path
    };
    assert_fault(&folder.path().join("missing (1)[2].fits"), 66);
    assert_fault(folder.path(), 66);
    assert_fault(&file("notes.fits", b"These are notes, not stars.\n"), 66);
    let whole = std::fs::read(sample("01-power-cut.fits")).unwrap();
    let half = file("half.fits", &whole[..whole.len() / 2]);
    assert_fault(&half, 65);
    assert_eq!(
        std::fs::read(&half).unwrap(),
        &whole[..whole.len() / 2],
        "input untouched"
    );
    let empty = file("empty.fits", b"");
    let status = solve([&empty]).status.code();
    assert!(matches!(status, Some(65 | 66)), "{status:?}");
}

#[test]
fn a_starless_frame_is_unsolved_and_says_what_to_try() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("starless.fits");
    std::fs::write(&path, starless()).unwrap();
    let output = solve([&path]);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let text = stdout(&output);
    assert!(text.starts_with("NOT SOLVED"), "{text}");
    for label in ["Reason", "Next", "Took"] {
        assert!(text.contains(label), "{label}:\n{text}");
    }
}

#[test]
fn the_gravest_of_several_frames_counts_and_the_run_goes_on() {
    let good = sample("01-power-cut.fits");
    let output = solve([Path::new("no such frame.fits"), &good]);
    assert_eq!(output.status.code(), Some(66));
    assert!(stdout(&output).starts_with("SOLVED"), "{}", stdout(&output));
}

#[test]
fn star_indexes_that_cannot_be_used() {
    let folder = tempfile::tempdir().unwrap();
    let index = folder.path().join("deep.nfsky");
    let frame = sample("01-power-cut.fits");
    let missing = solve([frame.as_os_str(), "--index".as_ref(), index.as_os_str()]);
    assert_eq!(missing.status.code(), Some(69), "{}", stderr(&missing));
    assert!(
        stderr(&missing).contains("deep.nfsky"),
        "{}",
        stderr(&missing)
    );
    std::fs::write(&index, b"no star-index").unwrap();
    let by_variable = nightfix()
        .args(["solve".as_ref(), frame.as_os_str()])
        .env("NIGHTFIX_INDEX", &index)
        .output()
        .unwrap();
    assert_eq!(
        by_variable.status.code(),
        Some(69),
        "{}",
        stderr(&by_variable)
    );
    assert_eq!(
        stderr(&by_variable).lines().count(),
        1,
        "{}",
        stderr(&by_variable)
    );
}

#[test]
fn the_text_result_reads_from_the_verdict_down() {
    let frame = sample("01-power-cut.fits");
    let output = solve([&frame]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let text = stdout(&output);
    assert!(
        !text.contains('\u{1b}'),
        "no emphasis outside a terminal:\n{text}"
    );
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines[0].starts_with("SOLVED  "), "{text}");
    assert!(lines[0].ends_with("01-power-cut.fits"), "{text}");
    let position = |label: &str| {
        lines
            .iter()
            .position(|line| line.starts_with(&format!("  {label}  ")))
            .unwrap_or_else(|| panic!("{label} is missing:\n{text}"))
    };
    let order = [
        "Pointing",
        "To mend it",
        "Centre",
        "Field",
        "Rotation",
        "Stars",
        "Certainty",
        "Took",
    ];
    let positions = order.map(position);
    assert!(positions.is_sorted(), "{text}");
    // The truth beside the frame: commanded 99.55 +27.35, drawn at 92.41 +23.78, rotation 34.
    assert!(lines[positions[0]].contains("south-west"), "{text}");
    assert!(
        lines[positions[1]].contains("east and") && lines[positions[1]].contains("north"),
        "{text}"
    );
    assert!(lines[positions[2]].contains("06h09m38"), "{text}");
    assert!(lines[positions[4]].contains("up is 34.0"), "{text}");
    assert!(
        lines.iter().all(|line| line.chars().count() <= 80),
        "{text}"
    );
}

#[test]
fn a_closed_pipe_is_no_failure() {
    let frame = sample("01-power-cut.fits");
    let mut child = nightfix()
        .args(["solve".as_ref(), frame.as_os_str(), "--json".as_ref()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let mut complaint = String::new();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_string(&mut complaint)
        .unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0), "{complaint}");
    assert_eq!(complaint, "");
}

#[test]
fn the_overlay_is_a_picture_of_the_kind_that_its_name_says() {
    let folder = tempfile::tempdir().unwrap();
    let frame = sample("08-pole.fits");
    for (name, format) in [
        ("o.png", image::ImageFormat::Png),
        ("o.JPG", image::ImageFormat::Jpeg),
    ] {
        let path = folder.path().join(name);
        let output = solve([frame.as_os_str(), "--overlay".as_ref(), path.as_os_str()]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let bytes = std::fs::read(&path).unwrap();
        assert_eq!(image::guess_format(&bytes).unwrap(), format);
        let picture = image::load_from_memory(&bytes).unwrap().to_rgb8();
        assert!(picture.width() >= 900 && picture.height() >= 600);
        // Amber marks: matched stars were drawn. Nothing else in the picture has their hue.
        let amber = |p: &&image::Rgb<u8>| p[0] > 200 && p[1] > 150 && p[2] < 120;
        assert!(picture.pixels().filter(amber).count() > 100, "{name}");
    }
    assert_eq!(
        std::fs::read_dir(folder.path()).unwrap().count(),
        2,
        "no temporary files left"
    );
}

/// The counts of the answer and the picture tell the same of what was not taken for a star.
#[test]
fn refusals_are_counted_and_drawn_with_their_reasons() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("refused.png");
    let frame = sample("04-finder.png");
    let picture = || image::open(&path).unwrap().to_rgb8();
    let output = solve([
        frame.as_os_str(),
        "--json".as_ref(),
        "--refusals".as_ref(),
        path.as_os_str(),
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let answer: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
    let refused = answer["stars"]["refused"].as_object().unwrap();
    // A picture as a guiding telescope takes it: hot pixels, and more stars than are measured.
    for reason in ["sharp-peak", "spike", "unmeasured"] {
        assert!(refused[reason].as_u64() > Some(0), "{refused:?}");
    }
    // Letters in amber over the frame, and in the legend below it.
    let (width, height) = picture().dimensions();
    let sky = image::image_dimensions(&frame).unwrap();
    assert!(
        height > sky.1 * width / sky.0.max(width),
        "{width} x {height}"
    );
    let amber = |p: &image::Rgb<u8>| p[0] > 200 && p[1] > 150 && p[2] < 120;
    let rows = picture();
    let in_rows = |from: u32, to: u32| {
        let places = (from..to).flat_map(|y| (0..width).map(move |x| (x, y)));
        places
            .filter(|(x, y)| amber(rows.get_pixel(*x, *y)))
            .count()
    };
    assert!(in_rows(0, sky.1.min(height)) > 1000);
    assert!(in_rows(height - 40, height) > 10);
}

#[test]
fn an_overlay_that_cannot_be_written_leaves_the_result() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("no such folder/o.png");
    let frame = sample("01-power-cut.fits");
    let output = solve([frame.as_os_str(), "--overlay".as_ref(), path.as_os_str()]);
    assert_eq!(output.status.code(), Some(73), "{}", stderr(&output));
    assert!(stdout(&output).starts_with("SOLVED"));
    assert!(stderr(&output).contains("o.png"), "{}", stderr(&output));
}

#[test]
fn the_wcs_goes_into_the_header_or_beside_the_frame() {
    let folder = tempfile::tempdir().unwrap();
    let copy = |name: &str| {
        let path = folder.path().join(name);
        std::fs::copy(sample(name), &path).unwrap();
        path
    };
    let fits = copy("01-power-cut.fits");
    let output = solve([fits.as_os_str(), "--write-wcs".as_ref()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let header = std::fs::read(&fits).unwrap();
    let text = String::from_utf8_lossy(&header[..header.len().min(20_000)]).into_owned();
    assert!(text.contains("CTYPE1  = 'RA---TAN"), "{text}");
    let raster = copy("04-finder.png");
    let before = std::fs::read(&raster).unwrap();
    let output = solve([raster.as_os_str(), "--write-wcs".as_ref()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert_eq!(std::fs::read(&raster).unwrap(), before);
    let beside = std::fs::read(folder.path().join("04-finder.png.pointing.fits")).unwrap();
    assert!(String::from_utf8_lossy(&beside).contains("CRVAL1"));
}

#[test]
fn a_search_cut_short_says_so() {
    let frame = sample("07-wide-lens.jpg");
    let output = solve([
        frame.as_os_str(),
        "--time-limit".as_ref(),
        "0.000001".as_ref(),
    ]);
    assert_eq!(output.status.code(), Some(75), "{}", stderr(&output));
    let text = stdout(&output);
    assert!(
        text.starts_with("NOT SOLVED") && text.contains("--time-limit"),
        "{text}"
    );
}

#[test]
fn an_unsolved_frame_has_a_picture_too() {
    let folder = tempfile::tempdir().unwrap();
    let (frame, picture) = (
        folder.path().join("dark.fits"),
        folder.path().join("dark.png"),
    );
    std::fs::write(&frame, starless()).unwrap();
    let output = solve([frame.as_os_str(), "--overlay".as_ref(), picture.as_os_str()]);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    assert!(image::open(&picture).is_ok());
}
