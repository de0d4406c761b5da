//! The layers of the library, as `src/lib.rs` draws them: no module uses one that is drawn above
//! it, or beside it.

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Modules by name, with the number of the layer that they are drawn in; 0 is the topmost.
struct Layers(HashMap<String, usize>);

/// What one file uses of the library.
struct Use {
    line: usize,
    module: String,
}

impl Layers {
    /// The first block of text in the documentation of the library: a line per layer, the names of
    /// its modules, `|`, what it is for.
    fn drawn_in(lib: &str) -> Layers {
        let drawing = lib
            .lines()
            .skip_while(|line| line.trim() != "//! ```text")
            .skip(1)
            .take_while(|line| line.trim() != "//! ```");
        let mut layers = HashMap::new();
        for (layer, line) in drawing.enumerate() {
            let (names, _) = line.trim_start_matches("//!").split_once('|').unwrap();
            for name in names.split_whitespace() {
                let twice = layers.insert(name.to_owned(), layer);
                assert_eq!(twice, None, "{name} is drawn twice");
            }
        }
        Layers(layers)
    }

    /// What reaches back in a file of the module `path` (`["solve", "guess"]`).
    fn faults(&self, path: &[&str], text: &str) -> Vec<String> {
        let own = self.0.get(path[0]);
        let is_fault = |used: &Use| {
            let below = |own: &usize| self.0.get(&used.module) > Some(own);
            used.module != path[0] && !own.is_some_and(below)
        };
        let uses = uses(path.len(), text);
        let faults = uses.into_iter().filter(is_fault);
        faults
            .map(|used| format!("line {}: {} uses {}", used.line, path[0], used.module))
            .collect()
    }
}

/// Every module of the library that a file names, by `crate::` or by enough `super::`; `depth` is
/// the number of parts of the file's own path.
fn uses(depth: usize, text: &str) -> Vec<Use> {
    let text = without_comments(text);
    let mut found = Vec::new();
    let mut add = |at: usize, rest: &str| {
        // `crate::Deadline` is that of `deadline`.
        let line = text[..at].matches('\n').count() + 1;
        found.extend(first_parts(rest).into_iter().map(|module| Use {
            line,
            module: module.to_lowercase(),
        }));
    };
    for (at, word) in text.match_indices("crate::") {
        // `pub(in crate::x)` and `$crate::x` count too.
        add(at, &text[at + word.len()..]);
    }
    for (at, _) in text.match_indices("super::") {
        if text[..at].ends_with("super::") {
            continue;
        }
        let (mut rest, mut steps) = (&text[at..], 0);
        while let Some(after) = rest.strip_prefix("super::") {
            (rest, steps) = (after, steps + 1);
        }
        // Modules within a file are tests, indented.
        let line_begin = text[..at].rfind('\n').map_or(0, |end| end + 1);
        let inside = text[..at].contains("\nmod tests {") && text[line_begin..].starts_with(' ');
        if steps >= depth + usize::from(inside) && !rest.starts_with('*') {
            add(at, rest);
        }
    }
    found
}

/// The first parts of the paths that begin here: one, or those of a list in braces.
fn first_parts(rest: &str) -> Vec<String> {
    let name = |text: &str| -> String {
        let part = text.trim_start();
        let is_name = |c: &char| c.is_alphanumeric() || *c == '_';
        part.chars().take_while(is_name).collect()
    };
    let Some(list) = rest.strip_prefix('{') else {
        return vec![name(rest)];
    };
    let (mut parts, mut open) = (vec![name(list)], 0);
    for (at, c) in list.char_indices() {
        match c {
            '{' => open += 1,
            '}' if open == 0 => break,
            '}' => open -= 1,
            ',' if open == 0 => parts.push(name(&list[at + 1..])),
            _ => {}
        }
    }
    parts.retain(|part| !part.is_empty());
    parts
}

/// The text with its lines, and nothing from `//` to their ends. What a string holds behind `//`
/// is lost with it: no path of the library.
fn without_comments(text: &str) -> String {
    let code = |line: &str| line.split("//").next().unwrap_or_default().to_owned();
    text.lines().map(code).collect::<Vec<_>>().join("\n")
}

/// All Rust files of a folder, with the paths of their modules.
fn files(folder: &Path, module: &[String], found: &mut Vec<(PathBuf, Vec<String>)>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let stem = path.file_stem().unwrap().to_string_lossy().into_owned();
        let mut inner = module.to_vec();
        if stem != "mod" {
            inner.push(stem);
        }
        if path.is_dir() {
            files(&path, &inner, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push((path, inner));
        }
    }
}

#[test]
fn no_layer_reaches_back() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let layers = Layers::drawn_in(&fs::read_to_string(src.join("lib.rs")).unwrap());
    let mut found = Vec::new();
    files(&src, &[], &mut found);
    // The root of the library and the program only name what there is, and what cargo runs before it
    // compiles them belongs to neither.
    let outside = ["lib", "main", "build"];
    found.retain(|(_, module)| module.len() > 1 || !outside.contains(&module[0].as_str()));
    assert!(found.len() > 100, "{} files", found.len());
    let mut faults = Vec::new();
    for (file, module) in &found {
        let module: Vec<&str> = module.iter().map(String::as_str).collect();
        assert!(
            layers.0.contains_key(module[0]),
            "src/lib.rs draws no layer for {}",
            module[0]
        );
        let text = fs::read_to_string(file).unwrap();
        let named = layers.faults(&module, &text).into_iter();
        faults.extend(named.map(|fault| format!("{}, {fault}", file.display())));
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    for name in layers.0.keys() {
        let is_there = found.iter().any(|(_, module)| &module[0] == name);
        assert!(is_there, "src/lib.rs draws {name}, which does not exist");
    }
}

#[test]
fn what_reaches_back_is_found() {
    let lib = "//! Words.\n//!\n//! ```text\n//! cli       | commands\n//! fit quads | x\n\
               //! frame     | y\n//! ```\n";
    let layers = Layers::drawn_in(lib);
    let fit = |text: &str| layers.faults(&["fit", "refine"], text);
    assert_eq!(
        fit("use crate::frame::Frame;\nuse super::Point;\n").len(),
        0
    );
    assert_eq!(fit("use crate::fit::{Point, cli::X};\n").len(), 0);
    assert_eq!(fit("/// As [`crate::cli::run`].\n").len(), 0);
    assert_eq!(
        fit("\nuse crate::cli::run;\n"),
        ["line 2: fit uses cli"],
        "above"
    );
    assert_eq!(fit("use crate::quads::Quad;\n").len(), 1, "beside");
    let list = "use crate::{\n    frame::{A, cli},\n    cli::{B, C},\n};\n";
    assert_eq!(fit(list), ["line 1: fit uses cli"]);
    assert_eq!(fit("fn f() -> crate::cli::Status {}\n").len(), 1);
    assert_eq!(fit("use super::super::cli::Status;\n").len(), 1);
    assert_eq!(fit("use super::super::frame::Status;\n").len(), 0);
    let test =
        "\nmod tests {\n    use super::super::Point;\n    use super::super::super::cli;\n}\n";
    assert_eq!(fit(test), ["line 4: fit uses cli"]);
    assert_eq!(fit("use crate::nowhere::X;\n").len(), 1, "not drawn");
}
