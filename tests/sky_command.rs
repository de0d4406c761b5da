//! `nightfix sky`: what it lists, and that no flipped bit escapes `--check`.

#[path = "support/good_index.rs"]
mod good_index;
mod run;

use good_index::good_of;
use run::schema::violations;
use run::{nightfix, sample, stderr, stdout};
use serde_json::Value;
use star_index::layout::{HEADER_BYTES, Header};
use star_index::{IndexError, StarIndex};
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;
use std::process::Output;

fn sky(arguments: &[&str], index: &Path) -> Output {
    nightfix()
        .arg("sky")
        .args(arguments)
        .arg("--index")
        .arg(index)
        .output()
        .unwrap()
}

fn objects(output: &Output) -> Vec<Value> {
    let schema = serde_json::from_str(include_str!("../src/report/sky.schema.json")).unwrap();
    let lines = stdout(output);
    let object = |line: &str| {
        let object: Value = serde_json::from_str(line).unwrap();
        assert_eq!(violations(&schema, &object), Vec::<String>::new());
        object
    };
    lines.lines().map(object).collect()
}

#[test]
fn lists_the_built_in_index_and_those_of_the_user() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("mine.nfsky");
    let bytes = good_of(400);
    std::fs::write(&file, &bytes).unwrap();
    for (options, status) in [
        (&["--json"][..], "usable"),
        (&["--json", "--check"], "verified"),
    ] {
        let output = sky(options, &file);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let found = objects(&output);
        assert_eq!(found.len(), 2);
        assert_eq!(found[0]["file"], Value::Null);
        assert_eq!(found[0]["index"]["stars"], 973_051);
        for object in &found {
            assert_eq!(object["schema"], "nightfix.sky/1");
            assert_eq!(object["status"], status);
        }
        let mine = &found[1];
        assert_eq!(mine["file"], *file.to_string_lossy());
        assert_eq!(mine["index"]["stars"], 400);
        assert_eq!(mine["index"]["bytes"], bytes.len());
        assert_eq!(mine["index"]["bands"].as_array().unwrap().len(), 3);
    }
    let text = stdout(&sky(&[], &file));
    for part in [
        "built-in star-index",
        "mine.nfsky",
        "973,051",
        "whole sky",
        "--check",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
}

#[test]
fn an_index_that_cannot_be_used_is_named_and_hides_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("broken.nfsky");
    let sound = good_of(400);
    let longer = [&sound[..], &[0; 8]].concat();
    for bytes in [&b"no star-index"[..], &sound[..sound.len() - 1], &longer] {
        std::fs::write(&file, bytes).unwrap();
        let output = sky(&["--json"], &file);
        assert_eq!(output.status.code(), Some(69));
        let found = objects(&output);
        let status: Vec<&Value> = found.iter().map(|object| &object["status"]).collect();
        assert_eq!(status, ["usable", "unusable"]);
        assert!(found[1]["reason"].is_string() && found[1]["index"].is_null());
    }
    std::fs::remove_file(&file).unwrap();
    let output = sky(&[], &file);
    assert_eq!(output.status.code(), Some(69));
    assert!(
        stdout(&output).contains("NOT USABLE"),
        "{}",
        stdout(&output)
    );
}

/// Every bit of a small index: head, stars, tiles, pages, directory, checksums.
#[test]
fn no_flipped_bit_escapes_the_check() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("small.nfsky");
    let sound = good_of(48);
    std::fs::write(&path, &sound).unwrap();
    StarIndex::open(&path).unwrap().verify_all().unwrap();
    let mut file = std::fs::File::options().write(true).open(&path).unwrap();
    let mut put = |place: usize, byte: u8| {
        file.seek(SeekFrom::Start(place as u64)).unwrap();
        file.write_all(&[byte]).unwrap();
    };
    for (place, &byte) in sound.iter().enumerate() {
        for bit in 0..8 {
            put(place, byte ^ 1 << bit);
            let checked = StarIndex::open(&path).and_then(|index| index.verify_all());
            let found = matches!(
                checked,
                Err(IndexError::NotAnIndex | IndexError::Version { .. } | IndexError::Damaged(_))
            );
            assert!(found, "bit {bit} of byte {place}: {checked:?}");
        }
        put(place, byte);
    }
    StarIndex::open(&path).unwrap().verify_all().unwrap();
}

#[test]
fn the_command_finds_damage_in_every_part() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("small.nfsky");
    let sound = good_of(48);
    let header: Header = bytemuck::pod_read_unaligned(&sound[..HEADER_BYTES]);
    let end = header.directory_offset as usize;
    for place in [0, 8, 200, HEADER_BYTES, end - 1, end, sound.len() - 1] {
        let mut bytes = sound.clone();
        bytes[place] ^= 0x10;
        std::fs::write(&path, &bytes).unwrap();
        let output = sky(&["--check"], &path);
        assert_eq!(output.status.code(), Some(69), "byte {place}");
        assert!(stdout(&output).contains("NOT USABLE"), "byte {place}");
    }
}

#[test]
fn verbose_names_the_index_that_answered() {
    let folder = tempfile::tempdir().unwrap();
    let index = folder.path().join("other.nfsky");
    std::fs::write(&index, good_of(400)).unwrap();
    let output = nightfix()
        .args(["solve", "--verbose", "--index"])
        .arg(&index)
        .arg(sample("01-power-cut.fits"))
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let said = stderr(&output);
    assert!(said.contains("solved by the built-in star-index"), "{said}");
    assert!(said.contains("other.nfsky"), "{said}");
}

/// A small star-index that is overwritten in place, or whose drive goes away, was read when it was
/// opened: a map of it would end the process by a signal.
#[test]
fn an_index_that_is_cut_short_while_it_is_used_harms_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("mine.nfsky");
    std::fs::write(&file, good_of(400)).unwrap();
    let index = StarIndex::open(&file).unwrap();
    std::fs::write(&file, b"").unwrap();
    assert!(index.verify_all().is_ok());
    assert!(!index.cells(0, 0, 1).unwrap().is_empty());
}

/// A large one is read where it is asked, block by block: what was read before it was cut short or
/// overwritten stays, the rest is an error, and never a signal or other stars.
#[test]
fn a_large_index_that_changes_while_it_is_used_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("large.nfsky");
    let bytes = default_sky::bytes();
    assert!(
        bytes.len() > 32 << 20,
        "large enough not to be read at once"
    );
    for spoil in ["cut short", "overwritten"] {
        std::fs::write(&file, bytes).unwrap();
        let index = StarIndex::open(&file).unwrap();
        let embedded = StarIndex::embedded(bytes).unwrap();
        let first = |index: &StarIndex| index.cells(0, 0, 1).unwrap().to_vec();
        assert_eq!(first(&index), first(&embedded));
        let last = embedded.header().stars as u32 - 1;
        match spoil {
            "cut short" => std::fs::write(&file, &bytes[..1000]).unwrap(),
            // In place: the same file with the same length.
            _ => {
                let mut file = std::fs::File::options().write(true).open(&file).unwrap();
                file.write_all(&vec![7; bytes.len()]).unwrap();
            }
        }
        assert_eq!(first(&index), first(&embedded), "{spoil}");
        let refusal = index.star(last).unwrap_err().to_string();
        assert!(
            refusal.contains("any more") || refusal.contains("damaged"),
            "{spoil}: {refusal}"
        );
        assert!(index.verify_all().is_err(), "{spoil}");
    }
}
