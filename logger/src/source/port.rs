//! One serial port: opened, listened to, closed.

use std::{io, path::PathBuf, time::Duration};

use tallywheel_schemas::rig::Port;
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    sync::watch,
};
use tokio_serial::{SerialPortBuilderExt, SerialStream};

use super::{adapter, outlet::Outlet};
use crate::journal::PortEvent;

/// Bytes of one read. At 115,200 bit/s this is a fifth of a second.
const READ: usize = 2048;
/// How long an adapter may take to swallow a few bytes.
const COMMAND_TIMEOUT: Duration = Duration::from_millis(500);

/// A port of the rig and the device that it is on.
#[derive(Debug, Clone)]
pub(crate) struct Target {
    /// Index in the rig.
    pub(crate) index: u16,
    /// As the rig describes it.
    pub(crate) port: Port,
    /// Serial device.
    pub(crate) device: PathBuf,
}

/// A port that is open.
#[derive(Debug)]
pub(crate) struct OpenPort {
    pub(super) target: Target,
    pub(super) stream: SerialStream,
}

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

/// Opens the device of a port, inside a runtime.
///
/// # Errors
/// When the device is not there, is in use, or may not be used.
pub(crate) fn open(target: &Target) -> Result<OpenPort, OpenError> {
    let device = target.device.to_string_lossy();
    let opened = tokio_serial::new(device, target.port.baud).open_native_async();
    let stream = opened.map_err(|source| OpenError {
        port: target.port.name.clone(),
        device: target.device.clone(),
        hint: hint(&source, &target.device),
        source,
    })?;
    Ok(OpenPort { target: target.clone(), stream })
}

fn hint(error: &tokio_serial::Error, device: &std::path::Path) -> &'static str {
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

/// Listens to a port until told to stop or until it goes away; gives a message if it went away.
pub(super) async fn run<S: AsyncRead + AsyncWrite + Unpin>(
    mut stream: S,
    target: Target,
    mut outlet: Outlet,
    mut stop: watch::Receiver<bool>,
) -> Option<String> {
    let opened = outlet.event(PortEvent::Opened).is_ok() && command(&mut stream, &adapter::opening(&target.port)).await;
    let outcome = if opened { read(&mut stream, &mut outlet, &mut stop).await } else { End::Stopped };
    let message = match outcome {
        End::Stopped => {
            command(&mut stream, adapter::closing(&target.port)).await;
            None
        }
        End::Gone(reason) => {
            let message = format!("port `{}` on {} is gone: {reason}", target.port.name, target.device.display());
            // If the writer is gone too, its own error is the one to tell of.
            let _ = outlet.event(PortEvent::Disconnected { reason });
            Some(message)
        }
    };
    let _ = outlet.finish();
    message
}

/// Why reading ended.
enum End {
    Stopped,
    Gone(String),
}

async fn read(stream: &mut (impl AsyncRead + Unpin), outlet: &mut Outlet, stop: &mut watch::Receiver<bool>) -> End {
    let mut buffer = vec![0; READ];
    loop {
        let read = tokio::select! {
            biased;
            _ = stop.changed() => return End::Stopped,
            read = stream.read(&mut buffer) => read,
        };
        match read {
            // A serial port never ends by itself: no bytes means that the device was unplugged.
            Ok(0) => return End::Gone("the device was disconnected".to_owned()),
            Ok(n) => {
                if outlet.bytes(&buffer[..n]).is_err() {
                    return End::Stopped;
                }
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return End::Gone(e.to_string()),
        }
    }
}

/// Sends commands to an adapter. One that does not take them in time is heard out all the same.
async fn command(stream: &mut (impl AsyncWrite + Unpin), bytes: &[u8]) -> bool {
    if !bytes.is_empty() {
        let sent = async {
            stream.write_all(bytes).await?;
            stream.flush().await
        };
        let _ = tokio::time::timeout(COMMAND_TIMEOUT, sent).await;
    }
    true
}
