//! `nightfix serve` as a program that calls it meets it: every request is answered once, whatever
//! came before it, on standard streams and on sockets of this computer.

mod run;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use run::schema::violations;
use run::{nightfix, sample, starless};
use sample_fields::{FieldSpec, fits_bytes, render};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, ChildStdin, ChildStdout, Stdio};

/// A running service on standard streams.
struct Service {
    child: Child,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
}

impl Service {
    fn start(arguments: &[&str]) -> Service {
        let mut child = nightfix()
            .arg("serve")
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the command starts");
        Service {
            input: child.stdin.take().unwrap(),
            output: BufReader::new(child.stdout.take().unwrap()),
            child,
        }
    }

    fn say(&mut self, request: &Value) {
        writeln!(self.input, "{request}").unwrap();
    }

    fn answer(&mut self) -> Value {
        let mut line = String::new();
        self.output.read_line(&mut line).unwrap();
        checked(&line)
    }

    /// What is left, after the end of input, and the exit status.
    fn end(self) -> (Vec<Value>, Option<i32>) {
        let Service {
            mut child,
            input,
            output,
        } = self;
        drop(input);
        let answers = output.lines().map(|line| checked(&line.unwrap())).collect();
        (answers, child.wait().unwrap().code())
    }
}

/// The answer on a line, which keeps its schema.
fn checked(line: &str) -> Value {
    let answer: Value = serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line:?}"));
    let notes = include_str!("../src/serve/serve.schema.json");
    let solutions = include_str!("../src/report/solution.schema.json");
    let (schema, bare) = match answer["schema"] == "nightfix.serve/1" {
        true => (notes, answer.clone()),
        false => {
            let mut bare = answer.clone();
            let id = bare.as_object_mut().unwrap().remove("id");
            assert!(id.is_some(), "{line}");
            (solutions, bare)
        }
    };
    let found = violations(&serde_json::from_str(schema).unwrap(), &bare);
    assert!(found.is_empty(), "{found:?}\n{answer:#}");
    answer
}

fn by_id(answers: &[Value]) -> HashMap<String, &Value> {
    let mut map = HashMap::new();
    for answer in answers {
        let twice = map.insert(answer["id"].to_string(), answer);
        assert!(
            twice.is_none() || answer["id"].is_null(),
            "{answer} came twice"
        );
    }
    map
}

/// 400 by 300 pixels of 27 arcsec.
fn small_frame() -> Vec<u8> {
    let mut spec = FieldSpec::new(132.85, 11.8, 3.0);
    (spec.width_px, spec.height_px) = (400, 300);
    fits_bytes(&render(&spec).expect("a field"), &[])
}

const HINTS: [(&str, &str); 2] = [("at", "132.9 11.7"), ("scale_arcsec_per_px", "27")];

/// A request for a frame in base64, with hints.
fn inline(id: impl Into<Value>, frame: &[u8]) -> Value {
    json!({"id": id.into(), "base64": STANDARD.encode(frame), "at": HINTS[0].1,
        "scale_arcsec_per_px": 27})
}

#[test]
fn frames_by_path_in_base64_and_behind_the_line() {
    let frame = small_frame();
    let mut service = Service::start(&[]);
    let path = sample("01-power-cut.fits");
    service.say(&json!({"id": 1, "file": path, "target": "M 35", "focus_star": "2..3"}));
    service.say(&inline("two", &frame));
    let behind = json!({"id": 3, "bytes": frame.len(), "name": "ours", "at": HINTS[0].1});
    service.say(&behind);
    service.input.write_all(&frame).unwrap();
    service.say(&json!({"id": 4, "file": "nowhere.fits"}));
    service.say(&json!({"id": 5, "base64": STANDARD.encode(b"no frame")}));
    service.say(&json!({"id": 6, "file": sample("10-clouds.fits"), "time_limit_s": 20}));
    let (answers, status) = service.end();
    assert_eq!((answers.len(), status), (6, Some(0)));
    let answers = by_id(&answers);
    let solved = answers["1"];
    assert_eq!(solved["status"], "solved");
    assert_eq!(solved["file"], path.to_str().unwrap());
    assert_eq!(solved["target"]["in_frame"], true);
    assert_eq!(solved["focus_star"]["name"], "Tejat");
    for (id, name) in [("\"two\"", "frame"), ("3", "ours")] {
        let answer = answers[id];
        assert_eq!(
            (&answer["status"], &answer["file"]),
            (&"solved".into(), &name.into())
        );
        let ra = answer["centre"]["ra_deg"].as_f64().unwrap();
        assert!((ra - 132.85).abs() < 0.003, "{answer:#}");
    }
    assert_eq!(answers["4"]["status"], "error");
    let reason = answers["5"]["reason"].as_str().unwrap();
    assert!(
        answers["5"]["status"] == "error" && reason.starts_with("frame"),
        "{reason}"
    );
    assert_eq!(answers["6"]["status"], "unsolved");
}

#[test]
fn what_makes_no_sense_is_refused_and_the_next_request_is_heard() {
    let frame = small_frame();
    let mut service = Service::start(&["--most-bytes", "300000"]);
    for line in [
        "{",
        "null",
        "[]",
        "",
        "  ",
        "{\"id\": 1}",
        "\u{1F52D}",
        "{\"id\": {}}",
    ] {
        writeln!(service.input, "{line}").unwrap();
    }
    service.input.write_all(b"\xff\xfe\x00\n").unwrap();
    // Too long a line, too large a frame, and one that came with a request that makes no sense.
    let long = "x".repeat(600_000);
    writeln!(service.input, "{long}").unwrap();
    service.say(&json!({"id": 2, "bytes": 400_000}));
    service
        .input
        .write_all(&long.as_bytes()[..400_000])
        .unwrap();
    service.say(&json!({"id": 3, "bytes": 7, "speed": "fast"}));
    service.input.write_all(b"{\n\"id\"\n").unwrap();
    service.say(&json!({"id": 4, "do": "cancel", "which": 99}));
    service.say(&inline(5, &frame));
    service.say(&json!({"id": 6, "bytes": 100}));
    service.input.write_all(b"too few").unwrap();
    let (answers, status) = service.end();
    assert_eq!(status, Some(0));
    let (refused, solved): (Vec<&Value>, Vec<&Value>) = answers
        .iter()
        .partition(|answer| answer["status"] == "refused");
    assert_eq!(solved.len(), 1);
    assert_eq!(
        (&solved[0]["id"], &solved[0]["status"]),
        (&5.into(), &"solved".into())
    );
    // Empty lines are nothing; every other one is answered.
    assert_eq!(refused.len(), 12, "{refused:#?}");
    let ids = |id: Value| refused.iter().filter(|answer| answer["id"] == id).count();
    assert_eq!(ids(Value::Null), 7);
    assert!((1..=4).chain([6]).all(|id| ids(id.into()) == 1));
}

/// One worker: the first request is at work, the others wait. All are called off.
#[test]
fn requests_are_called_off() {
    let mut service = Service::start(&["--workers", "1"]);
    let slow = sample("07-wide-lens.jpg");
    for id in 0..40 {
        service.say(&json!({"id": id, "file": slow}));
    }
    service.say(&json!({"id": 39, "file": slow}));
    for id in (0..40).rev() {
        service.say(&json!({"id": format!("c{id}"), "do": "cancel", "which": id}));
    }
    let (answers, status) = service.end();
    assert_eq!(status, Some(0));
    assert_eq!(answers.len(), 81);
    let twice = |answer: &&Value| answer["id"] == 39 && answer["status"] == "refused";
    assert_eq!(answers.iter().filter(twice).count(), 1);
    let called_off = |answer: &&Value| answer["status"] == "cancelled";
    // The first may have been done before.
    let count = answers.iter().filter(called_off).count();
    assert!(count >= 30, "{count}");
    for id in 0..40 {
        let status = |id: Value| {
            let mut of_id = answers.iter().filter(|answer| answer["id"] == id);
            of_id.find(|answer| answer["status"] != "refused" || id.is_string())
        };
        let (request, call) = (status(id.into()), status(format!("c{id}").into()));
        let was_called_off = request.unwrap()["status"] == "cancelled";
        assert!(!was_called_off || call.unwrap()["status"] == "done", "{id}");
    }
}

#[test]
fn nobody_reads() {
    let mut service = Service::start(&[]);
    let frame = small_frame();
    service.say(&inline(1, &frame));
    assert_eq!(service.answer()["status"], "solved");
    drop(service.output);
    for id in 2..200 {
        if writeln!(service.input, "{}", inline(id, &frame)).is_err() {
            break;
        }
    }
    // Although the input goes on.
    assert_eq!(service.child.wait().unwrap().code(), Some(130));
}

/// Resident memory, MB.
fn memory(child: &Child) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmRSS:"))?;
    line.split_whitespace()
        .nth(1)?
        .parse::<f64>()
        .ok()
        .map(|kb| kb / 1024.0)
}

/// Good, bad, huge and cancelled requests in turn: none is lost, none answered twice, and memory
/// stays what it was after the first quarter.
fn many(rounds: usize) {
    let (good, dark) = (small_frame(), starless());
    let mut service = Service::start(&["--most-bytes", "300000", "--workers", "2"]);
    let huge = format!("{{\"id\":0,\"base64\":\"{}\"}}", "A".repeat(500_000));
    let (mut due, mut memories) = (0, Vec::new());
    let mut seen: HashMap<String, usize> = HashMap::new();
    for round in 0..rounds {
        let id = |k: usize| json!(10 * round + k);
        service.say(&inline(id(0), &good));
        service.say(&inline(id(1), &dark));
        service.say(&json!({"id": id(2), "file": "nowhere.fits"}));
        writeln!(service.input, "{{\"id\": nonsense").unwrap();
        writeln!(service.input, "{huge}").unwrap();
        service.say(&json!({"id": id(5), "bytes": good.len(), "at": HINTS[0].1}));
        service.input.write_all(&good).unwrap();
        service.say(&json!({"id": id(6), "do": "cancel", "which": id(5)}));
        service.say(&json!({"id": id(7), "file": "x", "at": "nowhere"}));
        due += 8;
        // Both sides of a pipe hold little: read while writing.
        while due > 0 {
            let answer = service.answer();
            due -= 1;
            if !answer["id"].is_null() {
                *seen.entry(answer["id"].to_string()).or_default() += 1;
            }
        }
        memories.extend(memory(&service.child));
    }
    assert!(seen.values().all(|count| *count == 1));
    assert_eq!(seen.len(), 6 * rounds);
    let (rest, status) = service.end();
    assert_eq!((rest.len(), status), (0, Some(0)));
    let Some(quarter) = memories.get(rounds / 4) else {
        return;
    };
    let last = memories.last().unwrap();
    println!(
        "{} requests: {quarter:.1} MB after a quarter, {last:.1} MB at the end",
        8 * rounds
    );
    assert!(last - quarter < 10.0, "{quarter} {last}");
}

#[test]
fn five_hundred_requests() {
    many(63);
}

#[test]
#[ignore = "minutes: ten thousand requests"]
fn ten_thousand_requests() {
    many(1250);
}

/// A service on a socket: the process, and what it said.
fn listening(arguments: &[&str]) -> (Child, String) {
    let mut child = nightfix()
        .arg("serve")
        .args(arguments)
        .stdin(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = String::new();
    let mut errors = BufReader::new(child.stderr.take().unwrap());
    errors.read_line(&mut said).unwrap();
    let place = said.trim().split("listening on ").nth(1).expect("a place");
    (child, place.to_owned())
}

/// What comes back for these lines.
fn exchange(stream: impl Read + Write, lines: &str, end: impl Fn()) -> String {
    let mut stream = stream;
    stream.write_all(lines.as_bytes()).unwrap();
    end();
    let mut text = String::new();
    // A connection that is closed on unread lines may end in a reset.
    let _ = stream.read_to_string(&mut text);
    text
}

fn over_tcp(place: &str, lines: &str) -> String {
    let stream = TcpStream::connect(place).unwrap();
    exchange(&stream, lines, || {
        let _ = stream.shutdown(std::net::Shutdown::Write);
    })
}

#[test]
fn callers_on_the_loopback_interface() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("token");
    std::fs::write(&file, "open sesame\n").unwrap();
    let token = ["--port", "0", "--token-file", file.to_str().unwrap()];
    let (mut child, place) = listening(&token);
    assert!(place.starts_with("127.0.0.1:"), "{place}");
    let request = inline(1, &small_frame()).to_string() + "\n";
    for first in ["", "{\"token\": \"open sesam\"}\n", "GET / HTTP/1.1\n"] {
        let text = over_tcp(&place, &format!("{first}{request}"));
        assert!(!text.contains("solved"), "{text}");
        assert!(text.contains("refused") || text.is_empty(), "{text}");
    }
    // Two callers at once, whose ids are their own.
    let lines = format!("{{\"token\": \"open sesame\"}}\n{request}{{\"id\": 2}}\n");
    let texts: Vec<String> = std::thread::scope(|scope| {
        let callers: Vec<_> = (0..2)
            .map(|_| scope.spawn(|| over_tcp(&place, &lines)))
            .collect();
        callers
            .into_iter()
            .map(|caller| caller.join().unwrap())
            .collect()
    });
    for text in texts {
        let answers: Vec<Value> = text.lines().map(checked).collect();
        let answers = by_id(&answers);
        assert_eq!(answers["1"]["status"], "solved");
        assert_eq!(answers["2"]["status"], "refused");
    }
    child.kill().unwrap();
    child.wait().unwrap();

    // Without a token no web page is heard either.
    let (mut child, place) = listening(&["--port", "0"]);
    let text = over_tcp(&place, &format!("POST / HTTP/1.1\r\n\r\n{request}"));
    assert!(!text.contains("solved"), "{text}");
    let text = over_tcp(&place, &request);
    assert!(text.contains("\"solved\""), "{text}");
    child.kill().unwrap();
    child.wait().unwrap();
}

#[cfg(unix)]
#[test]
fn callers_on_a_unix_socket() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::net::UnixStream;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("nightfix.socket");
    let socket = ["--socket", path.to_str().unwrap()];
    for _ in 0..2 {
        // The second time over what the first one left.
        let (mut child, place) = listening(&socket);
        assert_eq!(place, path.to_str().unwrap());
        let mode = std::fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        let stream = UnixStream::connect(&path).unwrap();
        let request = inline(1, &small_frame()).to_string() + "\n";
        let text = exchange(&stream, &request, || {
            stream.shutdown(std::net::Shutdown::Write).unwrap();
        });
        assert_eq!(checked(text.trim())["status"], "solved");
        // One is enough.
        let second = nightfix().arg("serve").args(socket).output().unwrap();
        assert_eq!(second.status.code(), Some(73));
        child.kill().unwrap();
        child.wait().unwrap();
    }
}

#[test]
fn options_that_make_no_sense() {
    let folder = tempfile::tempdir().unwrap();
    let empty = folder.path().join("token");
    std::fs::write(&empty, "\n").unwrap();
    let empty = empty.to_str().unwrap();
    for (arguments, expected) in [
        (&["--token-file", empty][..], 64),
        (&["--port", "0", "--token-file", empty], 66),
        (&["--port", "0", "--token-file", "nowhere"], 66),
        (&["--port", "0", "--socket", "x"], 64),
        (&["--port", "99999"], 64),
        (&["--workers", "0"], 64),
    ] {
        let output = nightfix().arg("serve").args(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(expected), "{arguments:?}");
    }
}
