//! Files of sealed tables that no manifest speaks for: nothing vouches for their rows, so that they are in no sum.

use std::{
    collections::HashSet,
    path::{Path, PathBuf},
};

use chrono::NaiveDate;
use tallywheel_schemas::{
    Table,
    compacted::compacted_directory,
    table::{ARRIVING_DIRECTORY, partition},
};

use super::{Dataset, Filter, folders_of, list, partitions};

impl Dataset {
    /// Files of sealed tables without a manifest, below the root, as far as the filter's dates and the vehicles that
    /// were looked at go. Those of a session that is just being recorded or collected are none.
    pub fn without_manifest(&self, filter: &Filter) -> Vec<PathBuf> {
        let known: HashSet<&str> = self
            .sessions
            .iter()
            .map(|s| s.manifest.session.as_str())
            .chain(self.unusable.iter().map(super::Unusable::name))
            .collect();
        let mut found = Vec::new();
        for table in Table::SEALED {
            // What cannot be listed is no table; whoever reads its sessions says so.
            for vehicle in folders_of(&self.root.join(table.name()), &self.vehicles).unwrap_or_default() {
                for date in partitions(&vehicle, "date=").unwrap_or_default() {
                    let (vehicle, day) = (value(&vehicle, "vehicle="), value(&date, "date="));
                    if !filter.has_date(&day) || !(filter.vehicles.is_empty() || filter.vehicles.contains(&vehicle)) {
                        continue;
                    }
                    let files = list(&date).unwrap_or_default();
                    found.extend(files.into_iter().filter(|path| {
                        let name = value(&path.with_extension(""), "");
                        path.extension().is_some_and(|e| e == "parquet")
                            && !name.starts_with('.')
                            && !known.contains(name.as_str())
                            && !self.is_spoken_for(&vehicle, &day, &name)
                    }));
                }
            }
        }
        let below = |path: PathBuf| path.strip_prefix(&self.root).map_or_else(|_| path.clone(), Path::to_owned);
        let mut found: Vec<PathBuf> = found.into_iter().map(below).collect();
        found.sort();
        found
    }

    /// Whether something speaks for a file by now. The manifest is looked for last: it comes before what says that it is
    /// on its way goes.
    fn is_spoken_for(&self, vehicle: &str, date: &str, name: &str) -> bool {
        let manifest = format!("{name}.json");
        self.root.join(".journal").join(name).exists()
            || self.root.join(ARRIVING_DIRECTORY).join(&manifest).exists()
            || self.root.join(compacted_directory(vehicle, date)).join(&manifest).exists()
            || self.root.join(partition("sessions", vehicle, date)).join(&manifest).exists()
    }
}

impl Filter {
    fn has_date(&self, date: &str) -> bool {
        let Ok(date) = date.parse::<NaiveDate>() else { return self.from.is_none() && self.to.is_none() };
        self.from.is_none_or(|from| date >= from) && self.to.is_none_or(|to| date <= to)
    }
}

/// The last part of a path, behind a prefix.
fn value(path: &Path, prefix: &str) -> String {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    name.strip_prefix(prefix).map(str::to_owned).unwrap_or(name)
}
