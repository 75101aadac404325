//! Where sessions come from: a directory or a bucket, read and never changed.

use std::{
    io::{self, Read, Seek, SeekFrom},
    path::Path,
    sync::{Arc, OnceLock},
};

use bytes::Bytes;
use futures_util::{StreamExt, TryStreamExt};
use object_store::{
    GetOptions, GetRange, GetResultPayload, ObjectStore, aws::AmazonS3Builder, local::LocalFileSystem,
    path::Path as Key,
};
use tallywheel_schemas::{
    compacted::{COMPACTED_DIRECTORY, CompactedIndex, Found, uncompress_rests},
    manifest::FileRecord,
};
use tokio::runtime::Runtime;

/// Bytes handed on at a time.
const CHUNK: usize = 1 << 20;

/// A dataset to read from.
#[derive(Debug, Clone)]
pub struct Source {
    name: String,
    store: Arc<dyn ObjectStore>,
    /// Of the dataset in the store.
    prefix: String,
    directory: Option<std::path::PathBuf>,
    io: Arc<Runtime>,
    /// Its compacted days, once somebody asks.
    compacted: Arc<OnceLock<Result<CompactedIndex, String>>>,
}

/// A source that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// The directory is not there.
    #[error("{name}: not a directory")]
    NotADirectory {
        /// As given.
        name: String,
    },
    /// There is something else.
    #[error("{name}: not a dataset: there is nothing below `sessions` in it and no recording")]
    Foreign {
        /// As given.
        name: String,
    },
    /// Not an address.
    #[error("{name}: write s3://BUCKET or s3://BUCKET/PREFIX")]
    Address {
        /// As given.
        name: String,
    },
    /// The store refuses.
    #[error("{name}: {message}")]
    Store {
        /// As given.
        name: String,
        /// What the store said.
        message: String,
    },
    /// No thread for the network.
    #[error("start a thread for the network: {0}")]
    Runtime(#[from] io::Error),
}

/// Why copying stopped: the source, or whoever takes the bytes.
pub(super) enum Broken<E> {
    Source(String),
    Sink(E),
}

impl Source {
    /// Opens a source: `s3://BUCKET/PREFIX`, or a directory.
    ///
    /// A bucket's end point, region and keys come from the usual variables: `AWS_ENDPOINT_URL` or `AWS_ENDPOINT`,
    /// `AWS_DEFAULT_REGION`, `AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY`, and `AWS_ALLOW_HTTP=true` for a server
    /// without TLS.
    ///
    /// # Errors
    /// When a directory is not there, an address has no bucket, or the variables make no sense.
    pub fn open(name: &str) -> Result<Self, SourceError> {
        let io = Arc::new(tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?);
        let refused = |e: object_store::Error| SourceError::Store { name: name.to_owned(), message: e.to_string() };
        if let Some(address) = name.strip_prefix("s3://") {
            let (bucket, prefix) = address.split_once('/').unwrap_or((address, ""));
            if bucket.is_empty() {
                return Err(SourceError::Address { name: name.to_owned() });
            }
            let store = AmazonS3Builder::from_env().with_bucket_name(bucket).build().map_err(refused)?;
            return Ok(Self::of(name, Arc::new(store), prefix, io));
        }
        let directory = Path::new(name);
        if !directory.is_dir() {
            return Err(SourceError::NotADirectory { name: name.to_owned() });
        }
        let store = LocalFileSystem::new_with_prefix(directory).map_err(refused)?;
        Ok(Self { directory: Some(directory.to_owned()), ..Self::of(name, Arc::new(store), "", io) })
    }

    /// A source in a store of any kind.
    ///
    /// # Errors
    /// When no thread can be started.
    pub fn in_store(name: &str, store: Arc<dyn ObjectStore>, prefix: &str) -> Result<Self, SourceError> {
        let io = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
        Ok(Self::of(name, store, prefix, Arc::new(io)))
    }

    fn of(name: &str, store: Arc<dyn ObjectStore>, prefix: &str, io: Arc<Runtime>) -> Self {
        Self {
            name: name.to_owned(),
            store,
            prefix: prefix.trim_matches('/').to_owned(),
            directory: None,
            io,
            compacted: Arc::default(),
        }
    }

    /// As given.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Whether this is that directory.
    pub(super) fn is_at(&self, directory: &Path) -> bool {
        let same = |a: &Path| Some(a.canonicalize().ok()? == directory.canonicalize().ok()?);
        self.directory.as_deref().and_then(same).unwrap_or(false)
    }

    fn key(&self, path: &str) -> Result<Key, String> {
        let whole = if self.prefix.is_empty() { path.to_owned() } else { format!("{}/{path}", self.prefix) };
        Key::parse(whole).map_err(|e| e.to_string())
    }

    /// Paths of all objects below a directory of the dataset, in order.
    pub(super) fn list(&self, below: &str) -> Result<Vec<String>, SourceError> {
        let refused = |message: String| SourceError::Store { name: self.name.clone(), message };
        let key = self.key(below).map_err(refused)?;
        let listing = self.store.list(Some(&key)).map_ok(|object| object.location.to_string()).try_collect::<Vec<_>>();
        let found = match self.io.block_on(listing) {
            Ok(found) => found,
            Err(object_store::Error::NotFound { .. }) => Vec::new(),
            Err(error) => return Err(refused(error.to_string())),
        };
        let head = if self.prefix.is_empty() { String::new() } else { format!("{}/", self.prefix) };
        let mut paths: Vec<String> = found.iter().filter_map(|p| p.strip_prefix(&head)).map(str::to_owned).collect();
        paths.sort();
        Ok(paths)
    }

    /// A small object whole; `None` when there is none.
    pub(super) fn read(&self, path: &str) -> Result<Option<Bytes>, String> {
        let mut bytes = Vec::new();
        let taken = self.copy(path, 0, &mut |chunk: &[u8]| {
            bytes.extend_from_slice(chunk);
            Ok::<(), std::convert::Infallible>(())
        });
        match taken {
            Ok(true) => Ok(Some(bytes.into())),
            Ok(false) => Ok(None),
            Err(Broken::Source(message)) => Err(message),
            Err(Broken::Sink(never)) => match never {},
        }
    }

    /// Hands a session's file on from byte `from`: its own, or put together from a compacted day; `false` when there is
    /// neither.
    pub(super) fn copy_sealed<E>(
        &self,
        record: &FileRecord,
        from: u64,
        sink: &mut dyn FnMut(&[u8]) -> Result<(), E>,
    ) -> Result<bool, Broken<E>> {
        if self.copy(&record.path, from, sink)? {
            return Ok(true);
        }
        let index = self.compacted.get_or_init(|| self.read_compacted());
        let index = index.as_ref().map_err(|reason| Broken::Source(reason.clone()))?;
        let Some(found) = index.find(&record.path) else { return Ok(false) };
        let bytes = self.assemble(record, &found).map_err(|e| Broken::Source(format!("{}: {e}", self.name)))?;
        let rest = usize::try_from(from).ok().and_then(|from| bytes.get(from..)).unwrap_or_default();
        rest.chunks(CHUNK).try_for_each(sink).map_err(Broken::Sink)?;
        Ok(true)
    }

    fn read_compacted(&self) -> Result<CompactedIndex, String> {
        let mut texts = Vec::new();
        for path in self.list(COMPACTED_DIRECTORY).map_err(|e| e.to_string())? {
            if path.ends_with(".json")
                && let Some(text) = self.read(&path)?
            {
                texts.push((path, text));
            }
        }
        Ok(CompactedIndex::of_texts(texts.iter().map(|(path, text)| (path.as_str(), text.as_ref()))))
    }

    fn assemble(&self, record: &FileRecord, found: &Found<'_>) -> Result<Vec<u8>, String> {
        let rest = &found.day.rest;
        let compressed = self.read(&rest.path)?.ok_or_else(|| format!("{} is missing", rest.path))?;
        let rests = uncompress_rests(rest, &compressed)?;
        let ranges = found.group_ranges(record)?;
        let waiting = found.day.waiting(found.file).to_string_lossy().into_owned();
        let groups = match self.ranges(&found.file.file.path, &ranges) {
            Ok(groups) => groups,
            // It has not taken its place yet.
            Err(_) => self.ranges(&waiting, &ranges)?,
        };
        found.assemble(record, &groups, &rests)
    }

    fn ranges(&self, path: &str, ranges: &[std::ops::Range<u64>]) -> Result<Vec<Vec<u8>>, String> {
        let key = self.key(path)?;
        let read = self.io.block_on(self.store.get_ranges(&key, ranges)).map_err(|e| e.to_string())?;
        Ok(read.iter().map(|bytes| bytes.to_vec()).collect())
    }

    /// Hands an object on from byte `from`; `false` when there is none.
    pub(super) fn copy<E>(
        &self,
        path: &str,
        from: u64,
        sink: &mut dyn FnMut(&[u8]) -> Result<(), E>,
    ) -> Result<bool, Broken<E>> {
        let broken = |message: String| Broken::Source(format!("{}: {path}: {message}", self.name));
        let key = self.key(path).map_err(broken)?;
        let range = (from > 0).then_some(GetRange::Offset(from));
        let asked = self.store.get_opts(&key, GetOptions { range, ..GetOptions::default() });
        let found = match self.io.block_on(asked) {
            Ok(found) => found,
            Err(object_store::Error::NotFound { .. }) => return Ok(false),
            Err(error) => return Err(broken(error.to_string())),
        };
        match found.payload {
            GetResultPayload::File(mut file, _) => {
                file.seek(SeekFrom::Start(from)).map_err(|e| broken(e.to_string()))?;
                let mut chunk = vec![0; CHUNK];
                loop {
                    match file.read(&mut chunk) {
                        Ok(0) => return Ok(true),
                        Ok(read) => sink(&chunk[..read]).map_err(Broken::Sink)?,
                        Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                        Err(e) => return Err(broken(e.to_string())),
                    }
                }
            }
            GetResultPayload::Stream(mut stream) => {
                let mut waiting: Vec<u8> = Vec::with_capacity(CHUNK);
                while let Some(chunk) = self.io.block_on(stream.next()) {
                    let chunk = match chunk {
                        Ok(chunk) => chunk,
                        Err(error) => {
                            // What has come counts for the next try.
                            sink(&waiting).map_err(Broken::Sink)?;
                            return Err(broken(error.to_string()));
                        }
                    };
                    waiting.extend_from_slice(&chunk);
                    if waiting.len() >= CHUNK {
                        sink(&waiting).map_err(Broken::Sink)?;
                        waiting.clear();
                    }
                }
                sink(&waiting).map_err(Broken::Sink)?;
                Ok(true)
            }
        }
    }
}
