//! Serial devices: opened at first, and found again under another number.

use std::{
    io,
    path::{Path, PathBuf},
};

use tokio_serial::{SerialPortBuilderExt, SerialStream};

use super::port::{Opener, Target};

/// A port that cannot be opened.
#[derive(Debug, thiserror::Error)]
#[error("open port `{port}` on {}: {source}; {hint}", device.display())]
pub struct OpenError {
    /// Port in the rig.
    port: String,
    /// Serial device.
    device: PathBuf,
    /// What the system said.
    source: tokio_serial::Error,
    /// What to do.
    hint: &'static str,
}

/// A serial device.
#[derive(Debug, Clone)]
pub(crate) struct Serial {
    port: String,
    baud: u32,
    device: PathBuf,
}

impl Serial {
    pub(crate) fn new(target: &Target) -> Self {
        Self { port: target.port.name.clone(), baud: target.port.baud, device: target.device.clone() }
    }

    /// Opens it, inside a runtime.
    ///
    /// # Errors
    /// When the device is not there, is in use, or may not be used.
    pub(crate) fn open_now(&self) -> Result<SerialStream, OpenError> {
        let opened = tokio_serial::new(self.device.to_string_lossy(), self.baud).open_native_async();
        opened.map_err(|source| OpenError {
            port: self.port.clone(),
            device: self.device.clone(),
            hint: hint(&source, &self.device),
            source,
        })
    }
}

impl Opener for Serial {
    type Stream = SerialStream;

    async fn open(&mut self) -> Result<(SerialStream, String), String> {
        let stream = self.open_now().map_err(|e| e.to_string())?;
        Ok((stream, self.device.display().to_string()))
    }
}

fn hint(error: &tokio_serial::Error, device: &Path) -> &'static str {
    use tokio_serial::ErrorKind::{Io, NoDevice};
    let permission = "your user may not use serial devices: add it to the group that owns the device (often `dialout` or \
         `uucp`) and log in again";
    let gone = "is it plugged in? `tallywheel-logger ports` lists what is there";
    let busy = "another program may hold it: close serial terminals and modem managers";
    let denied = || std::fs::File::open(device).is_err_and(|e| e.kind() == io::ErrorKind::PermissionDenied);
    match error.kind() {
        Io(io::ErrorKind::PermissionDenied) => permission,
        Io(io::ErrorKind::NotFound) => gone,
        _ if !device.exists() => gone,
        _ if denied() => permission,
        NoDevice => busy,
        _ => "check the device's name and that nothing else uses it",
    }
}
