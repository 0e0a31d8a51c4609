//! Holds the floors of the house apart, by reading the source as text.
//!
//! Imports run strictly downward; the pure floors touch no outside; unsafe code stands in `linux`,
//! printing in `cli`; every file says what it is for, and none grows past 600 lines.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout
)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// The floors from the ground up, and the rooms on each. Rooms on one floor may use each other.
const FLOORS: [(&str, &[&str]); 5] = [
    (
        "know",
        &["value", "drive", "volume", "survey", "policy", "port"],
    ),
    ("decide", &["judge"]),
    ("do", &["job", "step", "read", "ledger", "bag", "paper"]),
    ("world", &["linux", "life"]),
    ("face", &["cli"]),
];
/// Floors that may not touch the outside.
const PURE_FLOORS: usize = 2;
/// What the outside is called in the standard library.
const OUTSIDE: [&str; 6] = ["fs", "time", "env", "net", "process", "thread"];
/// Macros that print.
const PRINTS: [&str; 5] = ["print", "println", "eprint", "eprintln", "dbg"];
/// A file longer than this calls for a look; than that, for a split.
const LONG: usize = 400;
const TOO_LONG: usize = 600;

fn floor_of(room: &str) -> Option<usize> {
    FLOORS.iter().position(|(_, rooms)| rooms.contains(&room))
}

/// One source file, its path relative to `src`.
struct Source {
    path: PathBuf,
    text: String,
    /// Compiled for tests only, as its parent's `#[cfg(test)] mod NAME;` says.
    tests_only: bool,
}

impl Source {
    fn shown(&self) -> String {
        self.path.display().to_string()
    }

    /// `drive/health/page.rs` is `[drive, health, page]`, `drive/mod.rs` is `[drive]`.
    fn module(&self) -> Vec<String> {
        let mut parts: Vec<String> = self
            .path
            .with_extension("")
            .iter()
            .map(|part| part.to_string_lossy().into_owned())
            .collect();
        if parts.last().is_some_and(|last| last == "mod") {
            parts.pop();
        }
        parts
    }

    /// The room it stands in; none for `lib.rs` and `main.rs`, which see everything.
    fn room(&self) -> Option<String> {
        let room = self.module().first()?.clone();
        floor_of(&room).map(|_| room)
    }
}

/// Blanks out comments, strings and characters, so that only code is looked at. Lines stay lines.
fn code_only(text: &str) -> String {
    let bytes: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let at = |i: usize| bytes.get(i).copied().unwrap_or('\0');
    let named = |c: char| c.is_alphanumeric() || c == '_';
    let blank = |c: char| if c == '\n' { '\n' } else { ' ' };
    let mut i = 0;
    while i < bytes.len() {
        let start = i;
        if at(i) == '/' && at(i + 1) == '/' {
            while i < bytes.len() && at(i) != '\n' {
                i += 1;
            }
        } else if at(i) == '/' && at(i + 1) == '*' {
            let mut depth = 0;
            while i < bytes.len() {
                if at(i) == '/' && at(i + 1) == '*' {
                    depth += 1;
                    i += 2;
                } else if at(i) == '*' && at(i + 1) == '/' {
                    depth -= 1;
                    i += 2;
                    if depth == 0 {
                        break;
                    }
                } else {
                    i += 1;
                }
            }
        } else if (at(i) == 'r' || (at(i) == 'b' && at(i + 1) == 'r'))
            && (i == 0 || !named(at(i - 1)))
            && {
                let mut j = i + 1 + usize::from(at(i) == 'b');
                while at(j) == '#' {
                    j += 1;
                }
                at(j) == '"'
            }
        {
            let mut hashes = 0;
            i += 1 + usize::from(at(i) == 'b');
            while at(i) == '#' {
                hashes += 1;
                i += 1;
            }
            i += 1;
            while i < bytes.len() && !(at(i) == '"' && (1..=hashes).all(|h| at(i + h) == '#')) {
                i += 1;
            }
            i += 1 + hashes;
        } else if at(i) == '"' {
            i += 1;
            while i < bytes.len() && at(i) != '"' {
                i += 1 + usize::from(at(i) == '\\');
            }
            i += 1;
        } else if at(i) == '\'' && (at(i + 1) == '\\' || at(i + 2) == '\'') {
            i += 1;
            while i < bytes.len() && at(i) != '\'' {
                i += 1 + usize::from(at(i) == '\\');
            }
            i += 1;
        } else {
            out.push(at(i));
            i += 1;
            continue;
        }
        let end = i.min(bytes.len());
        out.extend(bytes[start..end].iter().map(|&c| blank(c)));
    }
    out
}

/// Blanks out every item under `#[cfg(test)]`; returns the names of test modules in files of their own too.
fn without_tests(code: &str) -> (String, Vec<String>) {
    const MARK: &str = "#[cfg(test)]";
    let (mut out, mut modules) = (code.to_owned(), Vec::new());
    let mut from = 0;
    while let Some(start) = out[from..].find(MARK).map(|n| n + from) {
        let body = start + MARK.len();
        let mut depth = 0i32;
        let mut end = out.len();
        for (n, c) in out[body..].char_indices() {
            match c {
                '{' | '[' | '(' => depth += 1,
                '}' | ']' | ')' => depth -= 1,
                _ => {}
            }
            if depth == 0 && (c == '}' || c == ';') || depth < 0 {
                end = body + n + 1;
                break;
            }
        }
        let item = &out[body..end];
        let words: Vec<&str> = item.split_whitespace().collect();
        if let Some(place) = words.iter().position(|&w| w == "mod")
            && item.ends_with(';')
            && let Some(name) = words.get(place + 1)
        {
            modules.push(name.trim_end_matches(';').to_owned());
        }
        let blank: String = out[start..end]
            .chars()
            .map(|c| if c == '\n' { '\n' } else { ' ' })
            .collect();
        let length = blank.len();
        out.replace_range(start..end, &blank);
        from = start + length;
    }
    (out, modules)
}

/// Words and marks of code, each with its line.
fn tokens(code: &str) -> Vec<(usize, String)> {
    let mut out = Vec::new();
    for (number, line) in code.lines().enumerate() {
        let mut word = String::new();
        for c in line.chars().chain([' ']) {
            if c.is_alphanumeric() || c == '_' {
                word.push(c);
                continue;
            }
            if !word.is_empty() {
                out.push((number + 1, std::mem::take(&mut word)));
            }
            if !c.is_whitespace() {
                out.push((number + 1, c.to_string()));
            }
        }
    }
    out
}

/// What follows `PREFIX::` at token `at`: one name, or every first name of a `{group}`.
fn heads(tokens: &[(usize, String)], at: usize) -> Vec<(usize, String)> {
    let is = |n: usize, what: &str| tokens.get(n).is_some_and(|(_, t)| t == what);
    if !(is(at, ":") && is(at + 1, ":")) {
        return Vec::new();
    }
    if !is(at + 2, "{") {
        return tokens.get(at + 2).cloned().into_iter().collect();
    }
    let (mut out, mut depth, mut first) = (Vec::new(), 0, true);
    for token in &tokens[at + 2..] {
        match token.1.as_str() {
            "{" => depth += 1,
            "}" => depth -= 1,
            "," => first = depth == 1,
            _ if first && depth == 1 => {
                out.push(token.clone());
                first = false;
            }
            _ => {}
        }
        if depth == 0 {
            break;
        }
    }
    out
}

/// Every room that the code names by a full path: `crate::room`, `holdpoint::room`, or enough `super`s.
fn rooms_named(code: &str, module: &[String]) -> Vec<(usize, String)> {
    let tokens = tokens(code);
    let mut out = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        match tokens[at].1.as_str() {
            "crate" | "holdpoint" => out.extend(heads(&tokens, at + 1)),
            "super" => {
                let mut count = 1;
                while tokens.get(at + 3).is_some_and(|(_, t)| t == "super") {
                    at += 3;
                    count += 1;
                }
                // In a module inside the file one more is needed; a room's name is told apart by being one.
                if count >= module.len() {
                    out.extend(heads(&tokens, at + 1));
                }
            }
            _ => {}
        }
        at += 1;
    }
    out.retain(|(_, name)| floor_of(name).is_some());
    out
}

/// Uses of the standard library's outside: `std::fs`, `use std::{fs, io}`.
fn outside_named(code: &str) -> Vec<(usize, String)> {
    let tokens = tokens(code);
    let mut out = Vec::new();
    for (at, (_, token)) in tokens.iter().enumerate() {
        if token == "std" {
            out.extend(heads(&tokens, at + 1));
        }
    }
    out.retain(|(_, name)| OUTSIDE.contains(&name.as_str()));
    out
}

/// A comparison of a row's column with a bare code, in a piece of SQL.
fn code_of_a_row(line: &str) -> Option<&str> {
    [
        "item.want",
        "item.kind",
        "got.state",
        "WHERE want",
        "WHERE kind",
        "AND want",
        "AND kind",
    ]
    .iter()
    .flat_map(|column| line.match_indices(column))
    .find_map(|(at, column)| {
        let rest = line[at + column.len()..].strip_prefix(' ')?;
        let rest = ["= ", "<> ", "IN (", "NOT IN ("]
            .iter()
            .find_map(|compared| rest.strip_prefix(compared))?;
        let digit = rest.starts_with(|c: char| c.is_ascii_digit());
        digit.then(|| &line[at..line.len() - rest.len() + 1])
    })
}

/// Everything that is wrong with one file.
fn faults(source: &Source) -> Vec<String> {
    let mut out = Vec::new();
    let name = source.shown();
    let code = code_only(&source.text);
    let (own, _) = without_tests(&code);
    let own = if source.tests_only {
        String::new()
    } else {
        own
    };
    let first = source.text.lines().next().unwrap_or("");
    if !first.starts_with("//!") {
        out.push(format!(
            "{name}: the first line must say, with //!, what the file is for"
        ));
    }
    let lines = source.text.lines().count();
    if lines > TOO_LONG {
        out.push(format!(
            "{name}: {lines} lines; over {TOO_LONG} is to be split"
        ));
    }
    let room = source.room();
    if let Some(room) = &room {
        let floor = floor_of(room).unwrap();
        for (line, other) in rooms_named(&code, &source.module()) {
            let there = floor_of(&other).unwrap();
            if there > floor {
                let (here, above) = (FLOORS[floor].0, FLOORS[there].0);
                out.push(format!(
                    "{name}:{line}: `{room}` ({here}) uses `{other}` ({above}): imports run downward"
                ));
            }
        }
        if floor < PURE_FLOORS {
            for (line, what) in outside_named(&own) {
                out.push(format!("{name}:{line}: std::{what} on a pure floor"));
            }
        }
    }
    for (line, token) in tokens(&code) {
        if token == "unsafe" && room.as_deref() != Some("linux") {
            out.push(format!("{name}:{line}: unsafe code outside linux"));
        }
    }
    if room.as_deref() != Some("ledger") {
        for (line, text) in (1..).zip(source.text.lines()) {
            if let Some(code) = code_of_a_row(text) {
                out.push(format!(
                    "{name}:{line}: `{code}`: what a row's code means stands in ledger::terms"
                ));
            }
        }
    }
    let own_tokens = tokens(&own);
    for pair in own_tokens.windows(2) {
        let ((line, word), (_, mark)) = (&pair[0], &pair[1]);
        if mark == "!" && PRINTS.contains(&word.as_str()) && room.as_deref() != Some("cli") {
            out.push(format!("{name}:{line}: {word}! outside cli"));
        }
    }
    out
}

fn collect(folder: &Path, top: &Path, out: &mut Vec<Source>) {
    let mut entries: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            collect(&path, top, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let text = std::fs::read_to_string(&path).unwrap();
            let path = path.strip_prefix(top).unwrap().to_owned();
            out.push(Source {
                path,
                text,
                tests_only: false,
            });
        }
    }
}

/// All of `src`, with the files that only tests compile marked.
fn house() -> Vec<Source> {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut sources = Vec::new();
    collect(&top, &top, &mut sources);
    mark_tests(&mut sources);
    sources
}

fn mark_tests(sources: &mut [Source]) {
    let mut marked: BTreeSet<Vec<String>> = BTreeSet::new();
    for source in sources.iter() {
        for module in without_tests(&code_only(&source.text)).1 {
            let mut path = source.module();
            // `#[path = "x_tests.rs"] mod tests;` names a file beside its parent.
            path.push(module);
            marked.insert(path);
        }
    }
    for source in sources.iter_mut() {
        let module = source.module();
        let beside = source
            .path
            .file_stem()
            .is_some_and(|stem| stem.to_string_lossy().ends_with("_tests"));
        source.tests_only =
            beside || (1..=module.len()).any(|length| marked.contains(&module[..length]));
    }
}

#[test]
fn the_floors_are_held_apart() {
    let sources = house();
    assert!(sources.len() > 100, "only {} files found", sources.len());
    let faults: Vec<String> = sources.iter().flat_map(faults).collect();
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

#[test]
fn every_room_is_on_the_plan() {
    for source in house() {
        if let Some(top) = source.module().first() {
            assert!(
                source.room().is_some() || ["lib", "main", "skip"].contains(&top.as_str()),
                "{}: `{top}` stands on no floor",
                source.shown()
            );
        }
    }
}

#[test]
fn lengths_are_reported() {
    let mut long: Vec<(usize, String)> = house()
        .iter()
        .map(|source| (source.text.lines().count(), source.shown()))
        .filter(|(lines, _)| *lines > LONG)
        .collect();
    long.sort();
    for (lines, name) in long {
        println!("{lines:4} lines  {name}");
    }
}

/// A made-up file.
fn made_up(path: &str, text: &str) -> Source {
    Source {
        path: path.into(),
        text: format!("//! Made up.\n{text}"),
        tests_only: false,
    }
}

#[test]
fn each_check_can_fail() {
    let bad = [
        ("judge/gate.rs", "use crate::ledger::Ledger;", "downward"),
        (
            "judge/gate.rs",
            "use crate::{\n  value::{Bytes, job},\n  linux::Host,\n};",
            "downward",
        ),
        (
            "value/mod.rs",
            "fn f() { let x: crate::judge::Point; }",
            "downward",
        ),
        (
            "step/copy/mod.rs",
            "use super::super::cli::page;",
            "downward",
        ),
        (
            "paper/pen.rs",
            "mod inner { use super::super::super::cli::page; }",
            "downward",
        ),
        ("linux/tree.rs", "pub use crate::cli;", "downward"),
        (
            "bag/seal.rs",
            "fn f() { holdpoint::life::Life::new() }",
            "downward",
        ),
        ("survey/item.rs", "use std::{fmt, fs::File};", "pure floor"),
        (
            "judge/time.rs",
            "fn f() { std::time::Instant::now(); }",
            "pure floor",
        ),
        (
            "drive/x.rs",
            "#[cfg(test)] mod tests { use super::*; }\nuse std::env;",
            "pure floor",
        ),
        ("step/x.rs", "fn f() { unsafe { g() } }", "unsafe"),
        (
            "step/x.rs",
            "fn f() { eprintln!(\"{}\", 1) }",
            "outside cli",
        ),
        (
            "step/x.rs",
            "const A: &str = \"WHERE item.twin = 0 AND want IN (0, 2)\";",
            "ledger::terms",
        ),
    ];
    for (path, text, expected) in bad {
        let found = faults(&made_up(path, text));
        assert_eq!(found.len(), 1, "{path}: {text}: {found:?}");
        assert!(found[0].contains(expected), "{path}: {text}: {found:?}");
    }
    let untold = Source {
        text: "use std::fmt;".into(),
        ..made_up("bag/x.rs", "")
    };
    assert!(faults(&untold)[0].contains("//!"));
    let long = "\n".repeat(TOO_LONG + 1);
    assert!(faults(&made_up("bag/x.rs", &long))[0].contains("split"));
}

#[test]
fn what_is_allowed_stays_quiet() {
    let good = [
        (
            "judge/gate.rs",
            "use crate::value::Bytes;\nuse super::point::Point;",
        ),
        (
            "step/copy/mod.rs",
            "use crate::bag::name;\nuse crate::judge::order;",
        ),
        (
            "value/mod.rs",
            "// std::fs, crate::cli, unsafe\n/* crate::cli /* println!() */ std::fs */",
        ),
        (
            "value/mod.rs",
            "const A: &str = \"crate::cli \\\" std::fs\"; const B: &str = r#\"use \"crate::cli\"\"#;",
        ),
        (
            "value/mod.rs",
            "const A: char = '\"'; fn f<'a>(x: &'a str) {}\n#[cfg(test)]\nmod tests { use std::fs; }",
        ),
        ("linux/x.rs", "unsafe fn f() {}"),
        ("cli/x.rs", "fn f() { println!() }"),
    ];
    for (path, text) in good {
        let found = faults(&made_up(path, text));
        assert!(found.is_empty(), "{path}: {text}: {found:?}");
    }
    let mut pair = [
        made_up(
            "drive/reading.rs",
            "#[cfg(test)]\n#[allow(dead_code)]\nmod captured;",
        ),
        made_up(
            "drive/reading/captured.rs",
            "use std::fs;\nfn f() { println!() }",
        ),
    ];
    mark_tests(&mut pair);
    assert!(pair[1].tests_only && !pair[0].tests_only);
    assert!(faults(&pair[1]).is_empty());
}
