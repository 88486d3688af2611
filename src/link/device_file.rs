//! What the system says of a port's device file, without opening it.

#[cfg(unix)]
pub use unix::{may_open, remedy};

/// The processes that have this file open, as far as the system tells this user: `process 4711 (name)`.
#[cfg(target_os = "linux")]
#[must_use]
pub fn holders(path: &std::path::Path) -> Vec<String> {
    let Ok(path) = path.canonicalize() else { return Vec::new() };
    let processes = std::fs::read_dir("/proc").into_iter().flatten().flatten().map(|entry| entry.path());
    let has_it = |process: &std::path::PathBuf| {
        let files = std::fs::read_dir(process.join("fd")).into_iter().flatten().flatten();
        files.filter_map(|file| std::fs::read_link(file.path()).ok()).any(|open| open == path)
    };
    let named = |process: std::path::PathBuf| {
        let number = process.file_name()?.to_str()?.parse::<u32>().ok()?;
        let name = std::fs::read_to_string(process.join("comm")).ok()?;
        Some(format!("process {number} ({})", name.trim()))
    };
    processes.filter(has_it).filter_map(named).collect()
}

/// The processes that have this file open: this system does not tell.
#[cfg(not(target_os = "linux"))]
#[must_use]
pub fn holders(_path: &std::path::Path) -> Vec<String> {
    Vec::new()
}

/// Whether this user may read and write the file: asked where the system can be asked.
#[cfg(not(unix))]
#[must_use]
pub fn may_open(_path: &std::path::Path) -> bool {
    true
}

/// How this user may come to be allowed to.
#[cfg(not(unix))]
#[must_use]
pub fn remedy(_path: &std::path::Path) -> String {
    "Ask whoever looks after this computer.".into()
}

#[cfg(unix)]
mod unix {
    use rustix::fs::{Access, access};
    use std::os::unix::fs::MetadataExt;
    use std::path::Path;

    /// Who may read and write a file that only its owner and its group may.
    const GROUP_MAY: u32 = 0o060;

    /// Whether this user may read and write the file.
    #[must_use]
    pub fn may_open(path: &Path) -> bool {
        access(path, Access::READ_OK | Access::WRITE_OK).is_ok()
    }

    /// How this user may come to be allowed to.
    #[must_use]
    pub fn remedy(path: &Path) -> String {
        match group(path) {
            Some(group) => format!(
                "It belongs to the group {group}. To become a member of it:\n  sudo usermod -aG {group} $USER\nThen log out and in again."
            ),
            None if !path.starts_with("/dev/bus/usb") => {
                "Only root may: run this as root, or have whoever looks after this computer open it.".into()
            }
            None => {
                "Only root may. hardware-notes/udev/70-farrier-bridge.rules says how to allow it to those who sit at this computer.".into()
            }
        }
    }

    /// The group that may open the file, if that is not root's.
    fn group(path: &Path) -> Option<String> {
        let file = std::fs::metadata(path).ok().filter(|file| file.mode() & GROUP_MAY == GROUP_MAY && file.gid() != 0)?;
        let groups = std::fs::read_to_string("/etc/group").ok()?;
        let of_line = |line: &str| {
            let mut fields = line.split(':');
            let name = fields.next()?;
            (fields.nth(1)?.parse() == Ok(file.gid())).then(|| name.to_owned())
        };
        groups.lines().find_map(of_line)
    }
}
