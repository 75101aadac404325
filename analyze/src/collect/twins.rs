//! Sessions that seem to tell of one drive: kept all, and named, since they would count twice.

use std::collections::BTreeMap;

use serde::Serialize;
use tallywheel_schemas::manifest::Origin;

use crate::dataset::{Dataset, Filter, Session};

/// Time that two recordings of a vehicle may share at a seam, µs.
const SEAM_US: i64 = 1_000_000;

/// Sessions that seem to tell of one drive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Twins {
    /// Vehicle.
    pub vehicle: String,
    /// The sessions.
    pub sessions: Vec<String>,
    /// Why they seem to be the same.
    pub reason: String,
}

/// Looks through a dataset.
pub(super) fn find(dataset: &Dataset) -> Vec<Twins> {
    let sessions = dataset.sessions(&Filter::default());
    let mut groups: BTreeMap<(&str, String), Vec<&Session>> = BTreeMap::new();
    for session in &sessions {
        let m = &session.manifest;
        if let Some(run) = &m.run {
            groups.entry((&m.vehicle, format!("all are run {}", run.run))).or_default().push(session);
        }
        if let Origin::Imported(captures) = &m.origin {
            for capture in captures {
                let reason = format!("imported from the same capture, {}", capture.file);
                groups.entry((&m.vehicle, format!("{reason} ({})", capture.blake3.short()))).or_default().push(session);
            }
        }
    }
    let named = |((vehicle, reason), sessions): ((&str, String), Vec<&Session>)| Twins {
        vehicle: vehicle.to_owned(),
        sessions: sessions.iter().map(|s| s.manifest.session.clone()).collect(),
        reason,
    };
    let mut found: Vec<Twins> = groups.into_iter().filter(|(_, s)| s.len() > 1).map(named).collect();
    // In the order of vehicle and start.
    for pair in sessions.windows(2) {
        let (a, b) = (&pair[0].manifest, &pair[1].manifest);
        let shared_us = a.end_us.min(b.end_us).as_us() - b.start_us.as_us();
        let names = [a.session.clone(), b.session.clone()];
        if a.vehicle == b.vehicle && shared_us > SEAM_US && found.iter().all(|t| t.sessions[..] != names[..]) {
            let reason = format!("both were recorded at once for {:.0} s", shared_us as f64 / 1e6);
            found.push(Twins { vehicle: a.vehicle.clone(), sessions: names.into(), reason });
        }
    }
    found
}
