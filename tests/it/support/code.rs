//! The project's own source text: comments and strings blanked, unit tests cut off, imported modules and used crates found.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// A source file without comments, the content of strings, and unit tests.
pub(crate) struct Source {
    /// Path below `src`.
    pub(crate) path: PathBuf,
    pub(crate) code: String,
}

impl Source {
    pub(crate) fn new(path: &Path, text: &str) -> Source {
        Source { path: path.to_path_buf(), code: without_tests(&blanked(text)) }
    }

    /// The top module it belongs to.
    pub(crate) fn module(&self) -> String {
        let first = self.path.iter().next().unwrap_or_default().to_string_lossy();
        first.trim_end_matches(".rs").to_owned()
    }
}

/// The text with comments and the content of strings and characters taken out; line ends stay.
fn blanked(text: &str) -> String {
    let c: Vec<char> = text.chars().collect();
    let mut out = String::new();
    let mut i = 0;
    let at = |i: usize| c.get(i).copied().unwrap_or('\0');
    while i < c.len() {
        let before = out.chars().next_back().unwrap_or(' ');
        let starts_word = !(before.is_alphanumeric() || before == '_');
        match c[i] {
            '/' if at(i + 1) == '/' => {
                while i < c.len() && c[i] != '\n' {
                    i += 1;
                }
            }
            '/' if at(i + 1) == '*' => {
                let mut depth = 0;
                while i < c.len() {
                    match (at(i), at(i + 1)) {
                        ('/', '*') => (depth, i) = (depth + 1, i + 2),
                        ('*', '/') => (depth, i) = (depth - 1, i + 2),
                        (other, _) => {
                            out.extend((other == '\n').then_some('\n'));
                            i += 1;
                        }
                    }
                    if depth == 0 {
                        break;
                    }
                }
            }
            'r' if starts_word && matches!(at(i + 1), '"' | '#') => {
                let marks = (i + 1..).take_while(|k| at(*k) == '#').count();
                if at(i + 1 + marks) != '"' {
                    // A raw name, `r#type`.
                    out.push('r');
                    i += 1;
                    continue;
                }
                i += 2 + marks;
                while i < c.len() && !(c[i] == '"' && (1..=marks).all(|k| at(i + k) == '#')) {
                    out.extend((c[i] == '\n').then_some('\n'));
                    i += 1;
                }
                out.push_str("\"\"");
                i += 1 + marks;
            }
            '"' => {
                i += 1;
                while i < c.len() && c[i] != '"' {
                    out.extend((c[i] == '\n').then_some('\n'));
                    i += if c[i] == '\\' { 2 } else { 1 };
                }
                out.push_str("\"\"");
                i += 1;
            }
            '\'' if at(i + 1) == '\\' => {
                i += 3;
                while i < c.len() && c[i] != '\'' {
                    i += 1;
                }
                out.push_str("''");
                i += 1;
            }
            '\'' if at(i + 2) == '\'' => {
                out.push_str("''");
                i += 3;
            }
            other => {
                out.push(other);
                i += 1;
            }
        }
    }
    out
}

/// Blanked code without the items behind `#[cfg(test)]` and `#[test]`.
fn without_tests(code: &str) -> String {
    let mut out = String::new();
    let mut rest = code;
    while let Some(at) = rest.find("#[cfg(test)]") {
        out.push_str(&rest[..at]);
        let item = &rest[at..];
        let open = item.find('{').unwrap_or(item.len());
        let end = match item.find(';') {
            Some(end) if end < open => end + 1,
            _ => closing(item, open),
        };
        rest = &item[end..];
    }
    out + rest
}

/// Behind the brace that closes the one at `open`.
fn closing(text: &str, open: usize) -> usize {
    let mut depth = 0usize;
    for (i, b) in text.bytes().enumerate().skip(open) {
        match b {
            b'{' => depth += 1,
            b'}' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return i + 1;
        }
    }
    text.len()
}

/// The modules of the crate that `source` names: `crate::a`, `crate::{a, b}`, and `super::…` that leads up to the top.
pub(crate) fn imports(source: &Source) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let text: String = source.code.chars().filter(|c| !c.is_whitespace() || *c == ' ').collect();
    let mut note = |behind: &str| {
        let behind = behind.trim_start();
        let list = match behind.strip_prefix('{') {
            Some(group) => top_names(group),
            None => vec![word(behind)],
        };
        found.extend(list.into_iter().filter(|w| !w.is_empty()));
    };
    for (at, _) in text.match_indices("crate::") {
        note(&text[at + "crate::".len()..]);
    }
    // A file deep in `a/b/c.rs` reaches the top by as many `super` as it has folders, one more in the folder's own file.
    let mut depth = source.path.components().count();
    if source.path.file_name().is_some_and(|n| n == "mod.rs") {
        depth -= 1;
    }
    let up = "super::".repeat(depth);
    for (at, _) in text.match_indices(&up) {
        let behind = &text[at + up.len()..];
        if !text[..at].ends_with("super::") && !behind.starts_with("super::") {
            note(behind);
        }
    }
    found
}

fn word(text: &str) -> String {
    text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()
}

/// First names of a group behind its opening brace: `a::b, c::{d, e}}` gives a and c.
fn top_names(group: &str) -> Vec<String> {
    let (mut depth, mut names, mut fresh) = (1, Vec::new(), true);
    for (i, b) in group.char_indices() {
        match b {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 1 => fresh = true,
            c if fresh && !c.is_whitespace() => {
                names.push(word(&group[i..]));
                fresh = false;
            }
            _ => {}
        }
        if depth == 0 {
            break;
        }
    }
    names
}

/// Whether `name` stands in the code as a path, and not as a part of another name.
pub(crate) fn uses_crate(source: &Source, name: &str) -> bool {
    let path = format!("{name}::");
    source.code.match_indices(&path).any(|(at, _)| {
        let before = source.code[..at].chars().next_back().unwrap_or(' ');
        let inside = source.code[..at].ends_with("::") && !source.code[..at].ends_with(" ::");
        !(before.is_alphanumeric() || before == '_' || inside)
    })
}

/// All files below `src`, by path below it.
pub(crate) fn sources() -> BTreeMap<PathBuf, String> {
    fn below(root: &Path, folder: &Path, files: &mut BTreeMap<PathBuf, String>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                below(root, &path, files);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                files.insert(path.strip_prefix(root).unwrap().to_path_buf(), text);
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = BTreeMap::new();
    below(&root, &root, &mut files);
    files
}
