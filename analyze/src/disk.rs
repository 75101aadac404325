//! The steps by which files come into a dataset, so that a test can stop at any of them.
//!
//! Whatever changes a dataset does it through a [`Disk`]. A process that is killed between two steps, or in the middle
//! of a write, must leave a dataset that holds; tests give the disk a [`Fault`] that lets so many steps through and
//! none after.

use std::{
    fs::{self, File, OpenOptions},
    io::{self, Write},
    path::Path,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
};

/// A file system, whole or with a fault. Clones share the fault.
#[derive(Debug, Clone, Default)]
pub struct Disk {
    fault: Option<Arc<Fault>>,
}

/// Lets so many steps through and fails every one after, as if the process had been killed there. The first write that
/// fails still puts half of its bytes down.
#[derive(Debug)]
pub struct Fault {
    allowed: u64,
    taken: AtomicU64,
}

impl Fault {
    /// A fault after `allowed` steps.
    pub const fn after(allowed: u64) -> Self {
        Self { allowed, taken: AtomicU64::new(0) }
    }

    /// Steps that were asked for so far.
    pub fn taken(&self) -> u64 {
        self.taken.load(Ordering::SeqCst)
    }
}

/// What a step may do.
enum Leave {
    Whole,
    Half,
    Nothing,
}

impl Disk {
    /// A disk with a fault.
    pub fn with_fault(fault: &Arc<Fault>) -> Self {
        Self { fault: Some(Arc::clone(fault)) }
    }

    fn leave(&self) -> Leave {
        let Some(fault) = &self.fault else { return Leave::Whole };
        let taken = fault.taken.fetch_add(1, Ordering::SeqCst);
        match taken.cmp(&fault.allowed) {
            std::cmp::Ordering::Less => Leave::Whole,
            std::cmp::Ordering::Equal => Leave::Half,
            std::cmp::Ordering::Greater => Leave::Nothing,
        }
    }

    fn step(&self) -> io::Result<()> {
        match self.leave() {
            Leave::Whole => Ok(()),
            Leave::Half | Leave::Nothing => Err(stopped()),
        }
    }

    /// Makes a directory and those above it, durably; nothing where it is there already.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn make_directory(&self, path: &Path) -> io::Result<()> {
        if path.is_dir() {
            return Ok(());
        }
        let above = path.parent().filter(|p| !p.as_os_str().is_empty());
        if let Some(above) = above {
            self.make_directory(above)?;
        }
        self.step()?;
        match fs::create_dir(path) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
            other => other?,
        }
        above.map_or(Ok(()), |above| self.sync_directory(above))
    }

    /// Writes a file, replacing what is there.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.step()?;
        let file = File::create(path)?;
        self.put(file, bytes)
    }

    /// Adds to a file's end; without one it is made.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.put(OpenOptions::new().append(true).create(true).open(path)?, bytes)
    }

    fn put(&self, mut file: File, bytes: &[u8]) -> io::Result<()> {
        match self.leave() {
            Leave::Whole => file.write_all(bytes),
            Leave::Half => file.write_all(&bytes[..bytes.len() / 2]).and(Err(stopped())),
            Leave::Nothing => Err(stopped()),
        }
    }

    /// Writes a file's content to the disk.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn sync(&self, path: &Path) -> io::Result<()> {
        self.step()?;
        File::open(path)?.sync_all()
    }

    /// Writes a directory's entries to the disk.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn sync_directory(&self, path: &Path) -> io::Result<()> {
        self.sync(path)
    }

    /// Gives a file another name, replacing what has it.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.step()?;
        fs::rename(from, to)
    }

    /// Gives a whole file its name, durably, unless something has it.
    ///
    /// # Errors
    /// When something has that name already, or the system refuses.
    pub fn publish(&self, from: &Path, to: &Path) -> io::Result<()> {
        if fs::symlink_metadata(to).is_ok() {
            let taken = format!("{} exists already; a sealed file is never overwritten", to.display());
            return Err(io::Error::new(io::ErrorKind::AlreadyExists, taken));
        }
        self.rename(from, to)?;
        to.parent().map_or(Ok(()), |directory| self.sync_directory(directory))
    }

    /// Removes a file, if it is there.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn remove_if_there(&self, path: &Path) -> io::Result<()> {
        if fs::symlink_metadata(path).is_err() {
            return Ok(());
        }
        self.step()?;
        match fs::remove_file(path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        }
    }
}

impl Disk {
    /// Removes a directory, if it is there and nothing is in it.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn remove_if_empty(&self, path: &Path) -> io::Result<()> {
        if !fs::read_dir(path).is_ok_and(|mut entries| entries.next().is_none()) {
            return Ok(());
        }
        self.step()?;
        match fs::remove_dir(path) {
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::DirectoryNotEmpty) => Ok(()),
            other => other,
        }
    }
}

fn stopped() -> io::Error {
    io::Error::other("stopped here by a test")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_tears_the_write_and_lets_nothing_through_after() {
        let dir = tempfile::tempdir().expect("a directory");
        let path = dir.path().join("a");
        // Creating is one step, writing the second.
        let disk = Disk::with_fault(&Arc::new(Fault::after(1)));
        assert!(disk.write(&path, b"whole").is_err());
        assert_eq!(fs::read(&path).expect("there"), b"wh");
        assert!(disk.remove_if_there(&path).is_err() && disk.rename(&path, &dir.path().join("b")).is_err());
        assert_eq!(fs::read(&path).expect("there"), b"wh");
    }

    #[test]
    fn a_taken_name_is_not_replaced() {
        let dir = tempfile::tempdir().expect("a directory");
        let (disk, from, to) = (Disk::default(), dir.path().join("from"), dir.path().join("to"));
        disk.write(&from, b"new").and_then(|()| disk.write(&to, b"old")).expect("room");
        let error = disk.publish(&from, &to).expect_err("taken").to_string();
        assert!(error.contains("never overwritten"), "{error}");
        assert_eq!(fs::read(&to).expect("there"), b"old");
    }
}
