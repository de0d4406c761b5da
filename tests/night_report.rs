//! The night report: what is in it, checked in the page's own text, and how it behaves in a real
//! browser where NIGHTFIX_CHROMIUM names one.

mod run;

use run::night::{FRAMES, Light, MINUTES, RETARGETED, evening};
use run::{nightfix, sample, stderr};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// Writes the report on the frames of `folder` to the file `report`, and reads it.
fn report_on(folder: &Path, report: &Path) -> String {
    let output = nightfix()
        .arg("night")
        .arg(folder)
        .arg("--report")
        .arg(report)
        .output()
        .expect("the command starts");
    std::fs::read_to_string(report).unwrap_or_else(|e| panic!("{e}: {}", stderr(&output)))
}

/// An evening, its report and where that lies; made once for all tests.
struct Evening {
    folder: PathBuf,
    lights: Vec<Light>,
    page: String,
}

fn an_evening() -> &'static Evening {
    static EVENING: OnceLock<Evening> = OnceLock::new();
    EVENING.get_or_init(|| {
        // Among what the build made: nothing would take a folder of a static away at the end.
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("night-report");
        let frames = folder.join("evening");
        if folder.exists() {
            std::fs::remove_dir_all(&folder).unwrap();
        }
        std::fs::create_dir_all(&frames).unwrap();
        let lights = evening(&frames);
        let page = report_on(&frames, &folder.join("report.html"));
        Evening {
            folder,
            lights,
            page,
        }
    })
}

/// Between two marks, the first of its kind.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let start = text.find(from).unwrap_or_else(|| panic!("no {from}")) + from.len();
    let length = text[start..].find(to).unwrap_or_else(|| panic!("no {to}"));
    &text[start..start + length]
}

/// Cells of each row of a table's body, as text without tags.
fn cells(table: &str) -> Vec<Vec<String>> {
    let body = between(table, "<tbody>", "</tbody>");
    body.split("<tr")
        .skip(1)
        .map(|row| row.split("<td").skip(1).map(text).collect())
        .collect()
}

/// What follows the end of a tag, without the tags in it.
fn text(cell: &str) -> String {
    cell.split('>')
        .skip(1)
        .map(|part| part.split('<').next().unwrap_or_default())
        .collect()
}

/// How fast the field of rendered frames moves in RA (times the cosine of Dec) and Dec, arcsec a
/// minute: from the first to the last, for they were rendered along a straight line.
fn drift(lights: &[Light]) -> [f64; 2] {
    let (Some(first), Some(last)) = (lights.first(), lights.last()) else {
        panic!("no frames")
    };
    let minutes = (last.minutes - first.minutes) as f64;
    let cos_dec = (0.5 * (first.truth.dec_deg + last.truth.dec_deg))
        .to_radians()
        .cos();
    [
        (last.truth.ra_deg - first.truth.ra_deg) * cos_dec * 3600.0 / minutes,
        (last.truth.dec_deg - first.truth.dec_deg) * 3600.0 / minutes,
    ]
}

#[test]
fn drift_rates_are_those_rendered() {
    let Evening { lights, page, .. } = an_evening();
    let (earlier, later) = lights.split_at(
        lights
            .iter()
            .position(|l| l.minutes >= MINUTES * RETARGETED)
            .unwrap(),
    );
    let [earlier, later] = [earlier, later].map(drift);
    let table = between(page, "<table class=\"runs\">", "</table>");
    let number = |cell: &str| -> Option<f64> {
        let value = cell.split('±').next()?.trim().replace('\u{2212}', "-");
        value.trim_start_matches('+').parse().ok()
    };
    let mut before = 0;
    let mut after = 0;
    for row in cells(table) {
        let [.., frames, ra, dec, _] = row.as_slice() else {
            panic!("{row:?}")
        };
        let frames: usize = frames.split(' ').next().unwrap().parse().unwrap();
        let (Some(ra), Some(dec)) = (number(ra), number(dec)) else {
            assert!(frames < 3, "no drift of {frames} frames: {row:?}");
            continue;
        };
        let is_later = dec > 0.0;
        let truth = if is_later { later } else { earlier };
        *(if is_later { &mut after } else { &mut before }) += frames;
        // One in twenty of the speed, in whatever direction the error points.
        let off = (ra - truth[0]).hypot(dec - truth[1]);
        let speed = truth[0].hypot(truth[1]);
        assert!(off < 0.05 * speed, "{off:.3} of {speed:.2}: {row:?}");
    }
    // Frames of either camera with a position, but for a few in runs of two.
    assert!(before >= 36 && after >= 12, "{before} and {after}");
}

#[test]
fn every_frame_is_shown_and_nothing_comes_from_elsewhere() {
    let page = &an_evening().page;
    let table = between(page, "<table id=\"frames\">", "</table>");
    let rows = cells(table);
    assert_eq!(rows.len(), FRAMES + 5);
    for k in 0..FRAMES {
        let name = format!("light-{k}.fits");
        assert!(rows.iter().any(|row| row[1] == name), "{name}");
    }
    let strip = between(page, "<ol class=\"strip\">", "</ol>");
    assert_eq!(strip.matches("<li").count(), FRAMES);
    assert_eq!(
        strip.matches("src=\"data:image/jpeg;base64,").count(),
        FRAMES
    );
    // The unusable ones are marked, with what is wrong.
    assert_eq!(strip.matches("<li class=\"lost\"").count(), 6);
    for place in ["src=", "href=", "url(", "@import"] {
        for (at, _) in page.match_indices(place) {
            let target = page[at + place.len()..].trim_start_matches(['"', '\'']);
            let own = target.starts_with("data:") || target.starts_with('#');
            assert!(own, "{place}{}", &target[..target.len().min(60)]);
        }
    }
    for word in [
        "Polar axis",
        "Tracking rate",
        "Refraction",
        "Periodic error",
        "Dither",
    ] {
        assert!(page.contains(word), "{word}");
    }
}

/// Names that would end a tag, an attribute or the page if they were not escaped.
const NASTY: [&str; 4] = [
    "<img src=x onerror=fail()>.fits",
    "a\" onload=\"fail()\" b='.fits",
    "&lt;é 星&amp;.fits",
    "<!-- \u{202e} ]]>.fits",
];

/// Copies of a demonstration frame under names that Windows would refuse.
#[cfg(unix)]
fn nasty(folder: &Path) {
    for name in NASTY {
        std::fs::copy(sample("01-power-cut.fits"), folder.join(name)).unwrap();
    }
}

#[cfg(unix)]
#[test]
fn names_are_text() {
    let folder = tempfile::tempdir().unwrap();
    let frames = folder.path().join("<b>night & day");
    std::fs::create_dir(&frames).unwrap();
    nasty(&frames);
    let page = report_on(&frames, &folder.path().join("report.html"));
    assert!(page.contains("&lt;b&gt;night &amp; day"));
    assert!(!page.contains("<img src=x") && !page.contains("<b>night"));
    assert!(!page.contains("\" onload=\"") && !page.contains("<!--"));
    let table = between(&page, "<table id=\"frames\">", "</table>");
    let unescape = |text: &str| {
        let text = text.replace("&lt;", "<").replace("&gt;", ">");
        text.replace("&quot;", "\"").replace("&amp;", "&")
    };
    let mut names: Vec<String> = cells(table).iter().map(|row| unescape(&row[1])).collect();
    names.sort();
    let mut expected = NASTY.map(String::from);
    expected.sort();
    assert_eq!(names, expected);
}

#[test]
fn nights_without_anything_to_draw() {
    let folder = tempfile::tempdir().unwrap();
    let report = folder.path().join("report.html");
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    // One frame without a time; then darks only.
    run::night::skyless(&frames, "d.fits", Some("Dark"), 900.0, 0.0);
    let page = report_on(&frames, &report);
    assert!(page.ends_with("</html>\n") && page.contains("d.fits"));
    std::fs::copy(sample("01-power-cut.fits"), frames.join("one.fits")).unwrap();
    let page = report_on(&frames, &report);
    assert!(page.ends_with("</html>\n") && page.contains("one.fits"));
    let (page, _) = page.rsplit_once("<script>").unwrap();
    for nonsense in ["NaN", ">inf", "\u{2212}inf"] {
        assert!(!page.contains(nonsense), "{nonsense}");
    }
}

/// Put into the page before anything else: notes what goes wrong while it is read and used.
const LISTEN: &str = "<script>const wrong = []; \
    addEventListener('error', (e) => wrong.push(String(e.message)), true); \
    addEventListener('securitypolicyviolation', (e) => wrong.push(e.violatedDirective)); \
    function fail() { wrong.push('a name was run as a script'); }</script>";

/// Put at its end: sorts by each of a few columns, twice, and says what came of it.
const USE: &str = "<script>addEventListener('load', () => {
    const rows = () => [...document.querySelectorAll('#frames tbody tr')];
    const heads = [...document.querySelectorAll('#frames thead th')];
    const values = (c) => rows().map((r) => r.cells[c].dataset.v ?? null);
    const sorted = ['Frame', 'Time', 'Exposure', 'Shows'].map((name) => {
        const c = heads.findIndex((h) => h.textContent.startsWith(name));
        if (c < 0) return [[], [], name + ' has no column'];
        const press = () => { heads[c].querySelector('button').click(); return values(c); };
        return [press(), press(), heads[c].getAttribute('aria-sort')];
    });
    const images = [...document.images];
    images.forEach((i) => i.loading = 'eager');
    Promise.allSettled(images.map((i) => i.decode())).then((decoded) => {
        const shown = (e) => e.getBoundingClientRect().height > 8;
        const result = {
            wrong, sorted,
            rows: rows().filter(shown).length,
            names: rows().map((r) => r.cells[1].textContent),
            pictures: decoded.filter((d) => d.status === 'fulfilled').length,
            charts: [...document.querySelectorAll('figure svg')].filter(shown).length,
            across: document.documentElement.scrollWidth - innerWidth,
        };
        const told = document.createElement('pre');
        told.id = 'told';
        told.textContent = JSON.stringify(result);
        document.body.append(told);
    });
});</script>";

/// What the page did in the browser in a window so wide.
fn told_by(browser: &Path, page: &str, folder: &Path, width: u32) -> Value {
    let page = page.replacen(
        "<meta charset=\"utf-8\">",
        &format!("<meta charset=\"utf-8\">{LISTEN}"),
        1,
    );
    let page = page.replacen("</body>", &format!("{USE}</body>"), 1);
    let path = folder.join(format!("probe-{width}.html"));
    std::fs::write(&path, page).unwrap();
    let output = Command::new(browser)
        .args(["--headless", "--no-sandbox", "--disable-gpu"])
        .arg(format!("--window-size={width},900"))
        .arg(format!(
            "--user-data-dir={}",
            folder.join("profile").display()
        ))
        .args(["--virtual-time-budget=10000", "--dump-dom"])
        .arg(format!("file://{}", path.display()))
        .output()
        .expect("the browser starts");
    let dom = String::from_utf8_lossy(&output.stdout);
    let told = between(&dom, "<pre id=\"told\">", "</pre>");
    let told = told
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&amp;", "&");
    serde_json::from_str(&told).unwrap_or_else(|e| panic!("{e}: {told}"))
}

fn browser() -> Option<PathBuf> {
    let browser = std::env::var_os("NIGHTFIX_CHROMIUM").filter(|name| !name.is_empty());
    if browser.is_none() {
        eprintln!("\nskipped: the report in a browser, since NIGHTFIX_CHROMIUM names none");
    }
    browser.map(PathBuf::from)
}

#[test]
fn in_a_browser_it_sorts_and_shows_every_frame() {
    let Some(browser) = browser() else { return };
    let evening = an_evening();
    for width in [1280, 390] {
        let told = told_by(&browser, &evening.page, &evening.folder, width);
        assert_eq!(told["wrong"], serde_json::json!([]), "{width}");
        assert_eq!(told["rows"], FRAMES + 5);
        assert_eq!(told["pictures"], FRAMES);
        assert!(told["charts"].as_u64().unwrap() >= 8, "{}", told["charts"]);
        // The page itself never has to be pushed sideways: wide tables scroll on their own.
        assert!(told["across"].as_i64().unwrap() <= 0, "{}", told["across"]);
        for (column, sorted) in told["sorted"].as_array().unwrap().iter().enumerate() {
            assert_eq!(sorted[2], "descending", "{column}");
            if column == 3 {
                let [up, down] = [0, 1].map(|k| names(&sorted[k]));
                assert!(!up.is_empty());
                assert!(up.is_sorted(), "{up:?}");
                assert!(down.iter().rev().is_sorted(), "{down:?}");
                continue;
            }
            let [up, down] = [0, 1].map(|k| keys(&sorted[k]));
            assert!(up.len() > 40, "{column}");
            assert!(up.is_sorted(), "{column}: {up:?}");
            assert!(down.iter().rev().is_sorted(), "{column}: {down:?}");
        }
    }
}

/// Numbers in order, or names by the number in them; those that a frame lacks must be last.
fn keys(values: &Value) -> Vec<f64> {
    let number = |text: &&str| match text.parse() {
        Ok(number) => Some(number),
        Err(_) => between_digits(text),
    };
    names(values).iter().filter_map(number).collect()
}

/// The texts in order; what has none must be last.
fn names(values: &Value) -> Vec<&str> {
    let values = values.as_array().unwrap();
    let present: Vec<&str> = values.iter().map_while(Value::as_str).collect();
    let rest = &values[present.len()..];
    assert!(rest.iter().all(Value::is_null), "{values:?}");
    present
}

/// The number of `light-7.fits`; none for names of another kind.
fn between_digits(name: &str) -> Option<f64> {
    let digits = name.strip_prefix("light-")?.strip_suffix(".fits")?;
    digits.parse().ok()
}

#[cfg(unix)]
#[test]
fn in_a_browser_names_are_text() {
    let Some(browser) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    nasty(&frames);
    let page = report_on(&frames, &folder.path().join("report.html"));
    let told = told_by(&browser, &page, folder.path(), 1280);
    assert_eq!(told["wrong"], serde_json::json!([]));
    let mut names: Vec<&str> = told["names"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(Value::as_str)
        .collect();
    names.sort_unstable();
    let mut expected = NASTY;
    expected.sort_unstable();
    assert_eq!(names, expected);
}
