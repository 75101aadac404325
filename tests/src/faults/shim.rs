//! Faults of the disk and of the system's clock: a small C library, compiled on the spot and loaded into the recorder
//! alone, and the shared file that steers it. The library's source says what each word of that file means.

use std::{
    fs::{File, OpenOptions},
    io,
    os::unix::fs::FileExt,
    path::{Path, PathBuf},
    process::Command,
};

const SOURCE: &str = include_str!("../../shims/faults.c");
const WORDS: u64 = 256;
const FILES: u64 = 16;
const PAIRS: u64 = 64;

/// The compiled library.
#[derive(Debug, Clone)]
pub struct Shim {
    library: PathBuf,
}

/// How writes go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Writes {
    /// As the disk has it.
    Well = 0,
    /// No space.
    Full = 1,
    /// Half of the next write goes through, then there is no space.
    Torn = 2,
}

/// Which files the disk's faults strike.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Files {
    /// The journal.
    Journal = 0,
    /// Every file.
    All = 1,
    /// Every file but the journal, as when sessions are sealed.
    AllButJournal = 2,
}

impl Shim {
    /// Compiles the library into a directory; `None` where there is no C compiler (`CC`, or else `cc`).
    ///
    /// # Errors
    /// When there is a compiler and it does not compile it.
    pub fn compile(directory: &Path) -> io::Result<Option<Self>> {
        let (source, library) = (directory.join("faults.c"), directory.join("libfaults.so"));
        std::fs::write(&source, SOURCE)?;
        let compiler = std::env::var_os("CC").unwrap_or_else(|| "cc".into());
        let compiled = Command::new(compiler)
            .args(["-O2", "-shared", "-fPIC", "-o"])
            .args([&library, &source])
            .arg("-ldl")
            .output();
        match compiled {
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(e),
            Ok(output) if output.status.success() => Ok(Some(Self { library })),
            Ok(output) => Err(io::Error::other(String::from_utf8_lossy(&output.stderr).into_owned())),
        }
    }

    /// Loads it into a program that has not started yet; gives the handle by which it is steered.
    ///
    /// # Errors
    /// When the shared file cannot be made.
    pub fn load(&self, program: &mut Command, shared: &Path) -> io::Result<Faults> {
        let file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(shared)?;
        file.set_len(WORDS * 8)?;
        program.env("LD_PRELOAD", &self.library).env("TALLYWHEEL_FAULTS", shared);
        Ok(Faults { file })
    }
}

/// Steers the library in one program, also before it starts.
#[derive(Debug)]
pub struct Faults {
    file: File,
}

impl Faults {
    /// How writes to the journal go, or to the files of [`Faults::files`].
    ///
    /// # Errors
    /// When the shared file cannot be written, as all of these.
    pub fn writes(&self, how: Writes) -> io::Result<()> {
        self.set(0, how as i64)
    }

    /// How long a sync takes beforehand, µs.
    ///
    /// # Errors
    /// As [`Faults::writes`].
    pub fn sync_delay_us(&self, us: i64) -> io::Result<()> {
        self.set(1, us)
    }

    /// Whether syncs fail.
    ///
    /// # Errors
    /// As [`Faults::writes`].
    pub fn syncs_fail(&self, fail: bool) -> io::Result<()> {
        self.set(2, i64::from(fail))
    }

    /// By how much the system's clock is wrong, µs.
    ///
    /// # Errors
    /// As [`Faults::writes`].
    pub fn clock_shift_us(&self, us: i64) -> io::Result<()> {
        self.set(3, us)
    }

    /// Which files the disk's faults strike; the journal when nothing is said.
    ///
    /// # Errors
    /// As [`Faults::writes`].
    pub fn files(&self, files: Files) -> io::Result<()> {
        self.set(4, files as i64)
    }

    /// Writes refused or cut short, syncs delayed, and syncs refused so far: a fault that never struck proves nothing.
    ///
    /// # Errors
    /// When the shared file cannot be read.
    pub fn struck(&self) -> io::Result<[i64; 3]> {
        Ok([self.get(8)?, self.get(9)?, self.get(10)?])
    }

    /// Bytes of a journal that a successful sync has vouched for, by its inode; 0 when none.
    ///
    /// # Errors
    /// As [`Faults::struck`].
    pub fn vouched(&self, inode: u64) -> io::Result<u64> {
        for pair in 0..PAIRS {
            if self.get(FILES + 2 * pair)? as u64 == inode {
                return Ok(self.get(FILES + 2 * pair + 1)? as u64);
            }
        }
        Ok(0)
    }

    fn set(&self, word: u64, value: i64) -> io::Result<()> {
        self.file.write_all_at(&value.to_ne_bytes(), word * 8)
    }

    fn get(&self, word: u64) -> io::Result<i64> {
        let mut bytes = [0; 8];
        self.file.read_exact_at(&mut bytes, word * 8)?;
        Ok(i64::from_ne_bytes(bytes))
    }
}
