//! One logger for one device on this machine.
//!
//! A lock on a file that is named after the device. The system releases it when the program ends, however it ends;
//! the file stays, and its text says who holds or last held it.

use std::{
    fs::{self, File, OpenOptions, TryLockError},
    io::{self, Write},
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use nix::fcntl::OFlag;
use tallywheel_schemas::Timestamp;

use super::device::Device;

/// Where programs of all users keep their locks.
const LOCK_DIRECTORY: &str = "/run/lock";

/// A device that cannot be claimed.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Another logger records from it.
    #[error("{device} is being recorded by another logger ({holder}): end that one first")]
    Held {
        /// The device.
        device: String,
        /// What the other logger said about itself.
        holder: String,
    },
    /// The lock file cannot be used.
    #[error("lock {device} with {}: {source}", path.display())]
    Io {
        /// The device.
        device: String,
        /// The lock file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// The exclusive right to record from a device, until it is dropped or the program ends.
#[derive(Debug)]
pub(crate) struct PortLock {
    // Held for its lock.
    _file: File,
}

impl PortLock {
    /// Claims a device. Claim it again after it was opened anew under another number.
    ///
    /// # Errors
    /// When another logger holds it, under whatever name, or the system refuses.
    pub(crate) fn claim(device: &Device, holder: &str) -> Result<Self, LockError> {
        Self::claim_in(&directory(), device, holder)
    }

    /// As [`PortLock::claim`], with the directory of lock files.
    pub(crate) fn claim_in(directory: &Path, device: &Device, holder: &str) -> Result<Self, LockError> {
        let name = blake3::hash(device.identity().as_bytes()).to_hex();
        let path = directory.join(format!("tallywheel-{}.lock", &name[..32]));
        let fail = |source| LockError::Io { device: device.to_string(), path: path.clone(), source };
        let mut file = open(&path).map_err(fail)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::Error(source)) => return Err(fail(source)),
            Err(TryLockError::WouldBlock) => {
                let text = fs::read_to_string(&path).unwrap_or_default();
                let holder = if text.is_empty() { "which does not say" } else { text.trim_end() }.to_owned();
                return Err(LockError::Held { device: device.to_string(), holder });
            }
        }
        // Another user's file can be locked but not written; the lock is what counts.
        let _ = file.set_len(0).and_then(|()| writeln!(file, "{holder}"));
        Ok(Self { _file: file })
    }

    /// What this program says about itself.
    pub(crate) fn holder(dataset: &Path, since: Timestamp) -> String {
        format!("pid {}, dataset {}, since {since}", std::process::id(), dataset.display())
    }
}

/// The common directory, or the temporary one where that is not to be written to.
fn directory() -> PathBuf {
    let common = Path::new(LOCK_DIRECTORY);
    let writable = nix::unistd::access(common, nix::unistd::AccessFlags::W_OK).is_ok();
    if writable { common.to_owned() } else { std::env::temp_dir() }
}

/// Opens a lock file to write, or only to lock where it belongs to somebody else. A link in its place is refused: the
/// directory is open to all.
fn open(path: &Path) -> io::Result<File> {
    let no_link = OFlag::O_NOFOLLOW.bits();
    let ours = OpenOptions::new().write(true).create(true).truncate(false).mode(0o644).custom_flags(no_link).open(path);
    match ours {
        Err(e) if e.kind() == io::ErrorKind::PermissionDenied => {
            OpenOptions::new().read(true).custom_flags(no_link).open(path)
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use std::{
        io::{BufRead, BufReader},
        os::unix::fs::symlink,
        process::{Command, Stdio},
    };

    use super::*;

    const CHILD: &str = "TALLYWHEEL_TEST_LOCK";

    fn device(path: &Path) -> Device {
        Device::parse_with_roots(&path.to_string_lossy(), Vec::new()).expect("a device")
    }

    fn bench() -> (tempfile::TempDir, PathBuf, PathBuf) {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let (path, link) = (directory.path().join("ttyX0"), directory.path().join("usb-adapter"));
        fs::write(&path, "").expect("room");
        symlink(&path, &link).expect("a link");
        (directory, path, link)
    }

    #[test]
    fn a_second_logger_is_refused_and_told_of_the_first() {
        let (directory, path, link) = bench();
        let claim = |path: &Path, holder: &str| PortLock::claim_in(directory.path(), &device(path), holder);
        let first = claim(&path, "pid 1, dataset data").expect("free");
        let error = claim(&link, "pid 2").expect_err("held, whichever name is used").to_string();
        let expected = format!("{} is being recorded by another logger (pid 1, dataset data)", link.display());
        assert!(error.starts_with(&expected), "{error}");
        let other = directory.path().join("ttyX1");
        fs::write(&other, "").expect("room");
        let _other = claim(&other, "pid 3").expect("another device");
        drop(first);
        let _again = claim(&link, "pid 4").expect("free again");
        assert!(claim(&path, "pid 5").expect_err("held").to_string().contains("(pid 4)"));
    }

    #[test]
    fn a_link_in_the_place_of_a_lock_file_is_refused() {
        let (directory, path, _) = bench();
        drop(PortLock::claim_in(directory.path(), &device(&path), "x").expect("free"));
        let is_lock = |p: &PathBuf| p.extension().is_some_and(|e| e == "lock");
        let mut files = fs::read_dir(directory.path()).expect("a directory").map(|e| e.expect("an entry").path());
        let lock = files.find(is_lock).expect("a lock file");
        let victim = directory.path().join("victim");
        fs::write(&victim, "precious").expect("room");
        fs::remove_file(&lock).expect("there");
        symlink(&victim, &lock).expect("a link");
        let error = PortLock::claim_in(directory.path(), &device(&path), "x").expect_err("a link");
        assert!(matches!(error, LockError::Io { .. }), "{error}");
        assert_eq!(fs::read_to_string(victim).expect("there"), "precious");
    }

    /// Run by the next test as a program of its own.
    #[test]
    #[ignore = "holds a lock until it is killed"]
    fn child_that_holds_a_lock() {
        let Some(directory) = std::env::var_os(CHILD).map(PathBuf::from) else { return };
        let device = device(&directory.join("ttyX0"));
        let holder = PortLock::holder(Path::new("data"), Timestamp::from_us(0));
        let _lock = PortLock::claim_in(&directory, &device, &holder).expect("free");
        eprintln!("held");
        std::thread::sleep(std::time::Duration::from_secs(60));
    }

    #[test]
    fn a_killed_logger_holds_nothing() {
        let (directory, path, _) = bench();
        let mut child = Command::new(std::env::current_exe().expect("this program"))
            .args(["--exact", "source::port_lock::tests::child_that_holds_a_lock", "--ignored", "--nocapture"])
            .env(CHILD, directory.path())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts");
        let lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        assert!(lines.map_while(Result::ok).any(|line| line == "held"), "the child holds the lock");
        let claim = || PortLock::claim_in(directory.path(), &device(&path), "x");
        let error = claim().expect_err("held by the child").to_string();
        let expected = format!("(pid {}, dataset data, since 1970-01-01T00:00:00", child.id());
        assert!(error.contains(&expected), "{error}");
        child.kill().expect("killed");
        child.wait().expect("gone");
        claim().expect("free");
    }

    #[test]
    fn the_usual_directory_is_one_that_can_be_written_to() {
        let (_bench, path, _) = bench();
        let lock = PortLock::claim(&device(&path), "x").expect("free");
        assert!(PortLock::claim(&device(&path), "y").is_err_and(|e| e.to_string().contains("(x)")));
        drop(lock);
        let name = blake3::hash(device(&path).identity().as_bytes()).to_hex();
        fs::remove_file(directory().join(format!("tallywheel-{}.lock", &name[..32]))).expect("the lock file");
    }
}
