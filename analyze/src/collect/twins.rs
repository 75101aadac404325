//! Sessions that seem to tell of one drive: kept all, and named, since they would count twice.

use std::{
    collections::BTreeMap,
    fmt::{self, Display, Formatter},
    sync::Arc,
};

use serde::Serialize;
use tallywheel_schemas::{Manifest, manifest::Origin};

use crate::dataset::Session;

/// Time that two recordings of a vehicle may share at a seam, µs.
const SEAM_US: i64 = 1_000_000;

/// Sessions that seem to tell of one drive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Twins {
    /// Vehicle; where they stand under several, all of them with commas.
    pub vehicle: String,
    /// The sessions.
    pub sessions: Vec<String>,
    /// Why they seem to be the same.
    pub reason: String,
}

impl Display for Twins {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}: {}", self.vehicle, self.sessions.join(", "), self.reason)
    }
}

/// Looks through sessions that are in the order of vehicle and start.
pub(crate) fn find(sessions: &[Arc<Session>]) -> Vec<Twins> {
    let mut found = named_alike(sessions);
    found.extend(at_once(sessions, &found));
    found
}

/// Sessions of one run, and sessions made of one capture, under whatever vehicle.
fn named_alike(sessions: &[Arc<Session>]) -> Vec<Twins> {
    let mut groups: BTreeMap<(&str, String), Vec<&Manifest>> = BTreeMap::new();
    let mut by_capture: BTreeMap<String, (String, Vec<&Manifest>)> = BTreeMap::new();
    for session in sessions {
        let m = &session.manifest;
        if let Some(run) = &m.run {
            groups.entry((&m.vehicle, format!("all are run {}", run.run))).or_default().push(m);
        }
        let Origin::Imported(captures) = &m.origin else { continue };
        // A capture may stand for several ports; one without content tells of nothing.
        let contents: BTreeMap<_, _> =
            captures.iter().filter(|c| c.bytes > 0).map(|c| (c.blake3.to_string(), c)).collect();
        for (hash, capture) in contents {
            let reason = format!("imported from the same capture, {} ({})", capture.file, capture.blake3.short());
            by_capture.entry(hash).or_insert_with(|| (reason, Vec::new())).1.push(m);
        }
    }
    let runs = groups.into_iter().map(|((_, reason), of)| (reason, of));
    let twins = |(reason, of): (String, Vec<&Manifest>)| {
        let mut vehicles: Vec<&str> = of.iter().map(|m| m.vehicle.as_str()).collect();
        vehicles.dedup();
        Twins { vehicle: vehicles.join(", "), sessions: of.iter().map(|m| m.session.clone()).collect(), reason }
    };
    runs.chain(by_capture.into_values()).filter(|(_, of)| of.len() > 1).map(twins).collect()
}

/// Pairs of one vehicle that share more time than a seam and are not among what was found already.
fn at_once(sessions: &[Arc<Session>], known: &[Twins]) -> Vec<Twins> {
    let (mut pairs, mut open): (Vec<Twins>, Vec<&Manifest>) = (Vec::new(), Vec::new());
    for session in sessions {
        let b = &session.manifest;
        open.retain(|a| a.vehicle == b.vehicle && a.end_us.as_us() - b.start_us.as_us() > SEAM_US);
        for a in &open {
            let shared_us = a.end_us.min(b.end_us).as_us() - b.start_us.as_us();
            let said = |t: &Twins| t.sessions.contains(&a.session) && t.sessions.contains(&b.session);
            if shared_us > SEAM_US && !known.iter().any(said) {
                let reason = format!("both were recorded at once for {:.0} s", shared_us as f64 / 1e6);
                let sessions = vec![a.session.clone(), b.session.clone()];
                pairs.push(Twins { vehicle: a.vehicle.clone(), sessions, reason });
            }
        }
        open.push(b);
    }
    pairs
}
