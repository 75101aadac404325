//! A port's device: claimed, opened, and found again.

use std::path::Path;

use tallywheel_schemas::{Timestamp, rig::Port};

use super::{
    OpenError,
    device::{Device, Stream},
    port::Opener,
    port_lock::{LockError, PortLock},
};

/// A device of which this program is the only user on this machine while it is open.
#[derive(Debug)]
pub(crate) struct Claimed {
    port: Port,
    device: Device,
    holder: String,
    lock: Option<PortLock>,
}

/// A device that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ClaimError {
    /// Another logger has it.
    #[error("port `{port}`: {source}")]
    Lock {
        /// Port in the rig.
        port: String,
        /// Who.
        source: LockError,
    },
    /// It cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
}

impl Claimed {
    /// The device of a port of a recording into `dataset`.
    pub(crate) fn new(port: &Port, device: Device, dataset: &Path) -> Self {
        let holder = PortLock::holder(dataset, Timestamp::now());
        Self { port: port.clone(), device, holder, lock: None }
    }

    /// Opens it, inside a runtime. It is claimed before it is touched: opening a serial line that another program
    /// reads would already disturb it.
    ///
    /// # Errors
    /// When another logger has it, or it is not there, is in use, or may not be used.
    pub(crate) async fn open_now(&mut self) -> Result<Stream, ClaimError> {
        self.lock = None;
        let lock = PortLock::claim(&self.device, &self.holder);
        let lock = lock.map_err(|source| ClaimError::Lock { port: self.port.name.clone(), source })?;
        let stream = self.device.open(&self.port).await?;
        self.lock = Some(lock);
        Ok(stream)
    }

    /// What to say to a person when recording from it begins.
    pub(crate) fn notice(&self) -> Option<String> {
        self.device.notice(&self.port)
    }
}

impl Opener for Claimed {
    type Stream = Stream;

    async fn open(&mut self) -> Result<(Stream, String), String> {
        let stream = self.open_now().await.map_err(|e| e.to_string())?;
        // The name by which it was found, and the number that the system has given it.
        Ok((stream, self.device.identity()))
    }

    fn gone(&mut self) {
        self.lock = None;
    }
}
