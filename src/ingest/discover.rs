//! File patterns to a list of files.
//!
//! Comes in: globs. Goes out: files, sorted and each once, with a note on everything that was left out. A link that
//! leads out of the folder of its pattern is left out: a source folder is often writable by others. Never: opens a file.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What the patterns found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Discovery {
    /// Regular files, sorted, each once.
    pub files: Vec<PathBuf>,
    /// Paths left out, each with the reason.
    pub left_out: Vec<(PathBuf, String)>,
    /// Patterns that matched nothing.
    pub unmatched: Vec<PathBuf>,
}

/// Lists the files that match any of `patterns`.
pub fn discover(patterns: &[PathBuf]) -> Discovery {
    let mut files = BTreeSet::new();
    let mut found = Discovery::default();
    for pattern in patterns {
        let Ok(paths) = glob::glob(&pattern.to_string_lossy()) else {
            found.left_out.push((
                pattern.clone(),
                "not a valid file pattern; see the README for the form".to_owned(),
            ));
            continue;
        };
        let folder = fixed_folder(pattern);
        let home = folder.canonicalize().ok();
        let mut hits = 0;
        for path in paths {
            hits += 1;
            match path {
                Ok(path) if path.is_dir() => hits -= 1,
                Ok(path) => match inside(&path, home.as_deref()) {
                    Ok(()) => {
                        files.insert(path);
                    }
                    Err(reason) => found.left_out.push((path, reason)),
                },
                Err(error) => found.left_out.push((
                    error.path().to_path_buf(),
                    format!("cannot be read: {}", error.error()),
                )),
            }
        }
        if hits == 0 {
            found.unmatched.push(pattern.clone());
        }
    }
    found.left_out.sort();
    found.left_out.dedup();
    found.files = files.into_iter().collect();
    found
}

/// The part of a pattern in front of its first wildcard.
fn fixed_folder(pattern: &Path) -> PathBuf {
    let is_fixed = |part: &&std::ffi::OsStr| !part.to_string_lossy().contains(['*', '?', '[']);
    let parts: Vec<&std::ffi::OsStr> = pattern.iter().collect();
    let fixed = parts.iter().take_while(|p| is_fixed(p)).count().min(parts.len().saturating_sub(1));
    let folder: PathBuf = parts[..fixed].iter().collect();
    if folder.as_os_str().is_empty() { PathBuf::from(".") } else { folder }
}

fn inside(path: &Path, home: Option<&Path>) -> Result<(), String> {
    let real = path.canonicalize().map_err(|error| format!("cannot be read: {error}"))?;
    if home.is_none_or(|home| !real.starts_with(home)) {
        return Err(
            "a link that leads out of the source folder; copy the file into it, or name its folder"
                .to_owned(),
        );
    }
    if !real.is_file() {
        return Err("not a regular file".to_owned());
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_once_and_sorted_and_links_out_left_out() {
        let dir = tempfile::tempdir().unwrap();
        let logs = dir.path().join("logs");
        std::fs::create_dir_all(logs.join("deep.csv")).unwrap();
        for name in ["b.csv", "a.csv", "deep.csv/c.csv"] {
            std::fs::write(logs.join(name), "x").unwrap();
        }
        std::fs::write(dir.path().join("secret.csv"), "x").unwrap();
        std::os::unix::fs::symlink(dir.path().join("secret.csv"), logs.join("link.csv")).unwrap();
        std::os::unix::fs::symlink(logs.join("a.csv"), logs.join("same.csv")).unwrap();
        let patterns = ["logs/*.csv", "logs/**/*.csv", "none/*.csv"].map(|p| dir.path().join(p));
        let found = discover(&patterns);
        let names: Vec<_> =
            found.files.iter().map(|f| f.strip_prefix(&logs).unwrap().to_str().unwrap()).collect();
        assert_eq!(names, ["a.csv", "b.csv", "deep.csv/c.csv", "same.csv"]);
        assert_eq!(found.left_out.len(), 1);
        assert!(found.left_out[0].1.contains("leads out"));
        assert_eq!(found.unmatched, [patterns[2].clone()]);
    }
}
