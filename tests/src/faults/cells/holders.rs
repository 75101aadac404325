//! Two loggers that want the same.

use tallywheel_schemas::Timestamp;

use crate::faults::{
    Checked,
    account::account_of,
    bay::Bay,
    recorder::Recorder,
    scene::{PATIENCE, Scene, Setup, command},
    speaker::now_us,
    stated::TOLERANCE_US,
    terminal::{StableLink, Terminal},
    within,
};

/// A second logger for the dataset is refused and told who has it since when.
pub(super) fn one_dataset(bay: &Bay) -> Checked<String> {
    let began_us = now_us();
    let scene = Scene::begin(bay, &Setup::new())?;
    let (opened_us, holder) = (now_us(), scene.recorder.pid());
    scene.pass(0.6);
    let other = StableLink::new(&bay.path("by-id"), "usb-other").map_err(within("link"))?;
    let terminal = Terminal::open().map_err(within("a pseudo-terminal"))?;
    other.point_to(terminal.device()).map_err(within("link"))?;
    let second = Recorder::start(command(bay, &Setup::new(), &other)?).map_err(within("the recorder"))?;
    let second = second.wait(PATIENCE).map_err(within("the second recorder"))?;
    scene.pass(0.6);
    let finished = scene.end()?;
    finished.code(0)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    let since = refusal(second.code, &second.stderr, holder)?;
    let since_us = Timestamp::parse(&since, 0).map_err(|e| e.to_string())?.as_us();
    if !(began_us - TOLERANCE_US..opened_us + TOLERANCE_US).contains(&since_us) {
        return Err(format!("the first began between {began_us} and {opened_us}; stated: {since}"));
    }
    Ok(format!("refused naming process {holder} since {since}; the first went on, {}", account.words()))
}

/// Insists on a refusal that names a process; gives since when it says that it is held.
fn refusal(code: Option<i32>, stderr: &str, holder: u32) -> Checked<String> {
    let named = [format!("process {holder} "), format!("pid {holder},")].iter().any(|n| stderr.contains(n));
    let since = stderr
        .split("since ")
        .nth(1)
        .map(|rest| rest.chars().take_while(|c| c.is_ascii_alphanumeric() || "-:.".contains(*c)).collect::<String>());
    match since {
        Some(since) if named && code == Some(2) => Ok(since),
        _ => {
            Err(format!("the second logger was not refused naming process {holder} and time: code {code:?}, {stderr}"))
        }
    }
}

/// A second logger for the port, with a dataset of its own, is refused and told who has it.
pub(super) fn one_port(bay: &Bay) -> Checked<String> {
    let scene = Scene::begin(bay, &Setup::new())?;
    let holder = scene.recorder.pid();
    scene.pass(0.6);
    let other = bay.another(1)?;
    let length = ["--for", "2"].map(str::to_owned).to_vec();
    let second = command(&other, &Setup { args: length, ..Setup::new() }, &scene.link)?;
    let second = Recorder::start(second).and_then(|r| r.wait(PATIENCE)).map_err(within("the second recorder"))?;
    scene.pass(0.6);
    let finished = scene.end()?;
    let since = refusal(second.code, &second.stderr, holder)?;
    finished.code(0)?;
    let account = account_of(&finished.sent, &finished.sessions)?;
    account.nothing_missing()?;
    Ok(format!("refused naming process {holder} since {since}; the first went on, {}", account.words()))
}
