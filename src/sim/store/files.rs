//! The files of a simulated board: in a folder of the store, or handed over as one file.

use std::path::{Path, PathBuf};

/// Where a board's state is, what has changed since, and what a process locks that uses it.
#[derive(Clone, Debug)]
pub(super) struct Files {
    pub(super) state: PathBuf,
    pub(super) changes: PathBuf,
    pub(super) lock: PathBuf,
    /// The folder, where it is this board's alone.
    pub(super) own: Option<PathBuf>,
}

impl Files {
    /// Of a board in the store, or of a state file, which the path of one means.
    pub(super) fn of(root: &Path, name: &str) -> Files {
        if !is_path(name) {
            let own = root.join(name);
            let of = |file: &str| own.join(file);
            return Files { state: of("state.json"), changes: of("changes.jsonl"), lock: of("lock"), own: Some(own) };
        }
        let beside = |end: &str| PathBuf::from(format!("{name}.{end}"));
        Files { state: PathBuf::from(name), changes: beside("changes"), lock: beside("lock"), own: None }
    }

    /// What the bridge calls itself: the board's name, or that of its file.
    pub(super) fn called<'n>(&'n self, name: &'n str) -> &'n str {
        let file = self.state.file_stem().and_then(|stem| stem.to_str());
        if self.own.is_some() { name } else { file.unwrap_or(name) }
    }
}

/// Whether what stands for a board is the path of its file: it has a separator, or the ending of such files.
pub fn is_path(name: &str) -> bool {
    name.contains(['/', '\\']) || name.ends_with(".sim")
}
