//! What was found, for people.

use std::fmt;

use super::{FileCheck, JournalCheck, SessionCheck, Verdict, Verification};

impl fmt::Display for Verification {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for session in &self.sessions {
            write_session(f, session)?;
        }
        for day in &self.compacted {
            let state = if day.holds() { "holds" } else { "DAMAGED" };
            writeln!(f, "compacted {}: {state}, {} file(s)", day.record, day.files.len())?;
            day.faults.iter().try_for_each(|fault| writeln!(f, "  {fault}"))?;
            day.files.iter().filter(|file| !file.faults.is_empty()).try_for_each(|file| write_file(f, file))?;
        }
        for journal in &self.unfinished {
            write_journal(f, journal)?;
        }
        for session in &self.kept_journals {
            writeln!(f, "kept     the journal of {session}, whose end an earlier recovery could not read")?;
        }
        for file in &self.stray {
            writeln!(f, "stray    {} ({} bytes): {}", file.path, file.bytes, file.what)?;
        }
        let files: usize = self.sessions.iter().map(|s| s.files.len()).sum();
        let broken = self.sessions.iter().filter(|s| !s.holds()).count();
        write!(f, "checked  {} session(s), {files} file(s): ", self.sessions.len())?;
        match self.verdict() {
            Verdict::Holds => writeln!(f, "everything holds"),
            Verdict::Damaged | Verdict::Unchecked => {
                let unchecked =
                    if self.verdict() == Verdict::Unchecked { "; not everything could be checked" } else { "" };
                let journals = self.unfinished.iter().filter(|j| j.is_damaged()).count();
                let stray = self.stray.len();
                writeln!(
                    f,
                    "{broken} session(s) at fault, {journals} damaged journal(s), {stray} stray file(s){unchecked}"
                )
            }
        }
    }
}

fn write_session(f: &mut fmt::Formatter<'_>, check: &SessionCheck) -> fmt::Result {
    let rows: u64 = check.files.iter().map(|f| f.rows).sum();
    let state = if check.holds() { "holds" } else { "DAMAGED" };
    writeln!(f, "session  {}: {state}, {} file(s), {rows} rows", check.session, check.files.len())?;
    for fault in &check.faults {
        writeln!(f, "  {fault}")?;
    }
    for note in &check.notes {
        writeln!(f, "  note: {note}")?;
    }
    check.files.iter().filter(|file| !file.faults.is_empty()).try_for_each(|file| write_file(f, file))
}

fn write_file(f: &mut fmt::Formatter<'_>, check: &FileCheck) -> fmt::Result {
    for fault in &check.faults {
        writeln!(f, "  {}: {fault}", check.path)?;
    }
    let intact = check.row_groups.iter().filter(|g| g.intact).count();
    let groups = check.row_groups.len();
    writeln!(f, "    {intact} of {groups} row group(s) are intact, {} of {} rows", check.intact_rows(), check.rows)
}

fn write_journal(f: &mut fmt::Formatter<'_>, check: &JournalCheck) -> fmt::Result {
    let (session, records, bytes) = (&check.session, check.records, check.bytes);
    let state = if check.in_work { "in work by another program" } else { "not finished; `recover` finishes it" };
    writeln!(f, "journal  {session}: {state}; {records} records, {bytes} bytes")?;
    match &check.unread {
        Some(unread) => {
            writeln!(f, "  {} bytes from byte {} on cannot be read: {}", unread.bytes, unread.offset, unread.reason)
        }
        None => Ok(()),
    }
}
