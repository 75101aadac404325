//! Names of serial devices that stay the same when they are plugged in again.

use std::{
    fs,
    path::{Path, PathBuf},
};

/// Directories in which the system keeps such names: by the device's own identity, which follows it to another
/// socket, and by the socket, for devices that have none.
const ROOTS: [&str; 2] = ["/dev/serial/by-id", "/dev/serial/by-path"];

/// A stable name of one device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct StableName(PathBuf);

impl StableName {
    /// The system's directories of stable names, the best first.
    pub(crate) fn roots() -> Vec<PathBuf> {
        ROOTS.map(PathBuf::from).to_vec()
    }

    /// The stable name of a device that is there now.
    #[cfg(test)]
    pub(crate) fn of(path: &Path) -> Option<Self> {
        Self::among(path, &Self::roots())
    }

    /// The stable name of a device that is there now, in these directories. A path inside one of them is a stable name already; of several
    /// links to one device the first by name is taken.
    pub(crate) fn among(path: &Path, roots: &[PathBuf]) -> Option<Self> {
        if path.parent().is_some_and(|parent| roots.iter().any(|root| root == parent)) {
            return Some(Self(path.to_owned()));
        }
        let device = fs::canonicalize(path).ok()?;
        roots.iter().find_map(|root| {
            let links = fs::read_dir(root).ok()?.flatten().map(|entry| entry.path());
            links.filter(|link| fs::canonicalize(link).is_ok_and(|to| to == device)).min().map(Self)
        })
    }

    /// The name.
    pub(crate) fn path(&self) -> &Path {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn the_best_name_that_leads_to_the_device_is_taken() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let root = |name: &str| {
            let root = directory.path().join(name);
            fs::create_dir(&root).expect("room");
            root
        };
        let (by_id, by_path) = (root("by-id"), root("by-path"));
        let roots = [by_id.clone(), by_path.clone()];
        let device = |name: &str| {
            let path = directory.path().join(name);
            fs::write(&path, "").expect("room");
            path
        };
        let (known, bare, lost) = (device("ttyX0"), device("ttyX1"), device("ttyX2"));
        for link in ["usb-b", "usb-a"] {
            symlink("../ttyX0", by_id.join(link)).expect("a link");
        }
        symlink("../ttyX0", by_path.join("pci-0")).expect("a link");
        symlink("../ttyX1", by_path.join("pci-1")).expect("a link");
        symlink("../ttyX9", by_id.join("usb-unplugged")).expect("a link");
        let among = |path: &Path| StableName::among(path, &roots).map(|n| n.path().to_owned());
        assert_eq!(among(&known), Some(by_id.join("usb-a")));
        assert_eq!(among(&bare), Some(by_path.join("pci-1")));
        assert_eq!(among(&lost), None);
        assert_eq!(among(&directory.path().join("none")), None);
        assert_eq!(among(&by_id.join("usb-unplugged")), Some(by_id.join("usb-unplugged")), "also while it is away");
        assert_eq!(StableName::of(&known), None, "the system knows no such device");
    }
}
