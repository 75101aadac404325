//! What was sent against what was sealed: every frame at most once, in order, and nothing else.

use super::{
    Checked,
    sealed::{Got, Sealed},
    speaker::Sent,
};

/// The account of one recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    /// Frames in the sealed tables.
    pub received: usize,
    /// Frames that were sent and are not there.
    pub missing: Vec<Sent>,
    /// The last frame that is there.
    pub last: Option<u32>,
    /// Longest time from the moment a frame was sent to its stamp, µs, by the harness's clock.
    pub latest_us: i64,
}

/// Compares frames with what was sent.
///
/// # Errors
/// When a frame was never sent, is there twice, or is out of order.
pub fn account<'a>(sent: &[Sent], got: impl IntoIterator<Item = &'a Got>) -> Checked<Account> {
    let mut rest = sent.iter();
    let mut account = Account { received: 0, missing: Vec::new(), last: None, latest_us: i64::MIN };
    for frame in got {
        let number = frame.number.ok_or_else(|| format!("a frame at {} was never sent", frame.t_us))?;
        if let Some(last) = account.last.replace(number).filter(|last| number <= *last) {
            return Err(format!("frame {number} comes after frame {last}"));
        }
        let found = loop {
            match rest.next() {
                Some(sent) if sent.number == number => break sent,
                Some(sent) => account.missing.push(*sent),
                None => return Err(format!("frame {number} was never sent whole")),
            }
        };
        account.received += 1;
        account.latest_us = account.latest_us.max(frame.t_us - found.at_us);
    }
    account.missing.extend(rest);
    Ok(account)
}

/// As [`account`], over sessions in the order in which they follow each other.
///
/// # Errors
/// As [`account`].
pub fn account_of(sent: &[Sent], sessions: &[Sealed]) -> Checked<Account> {
    account(sent, sessions.iter().flat_map(|s| &s.frames))
}

impl Account {
    /// Insists that every missing frame was sent between two moments, µs.
    ///
    /// # Errors
    /// With the first that was not.
    pub fn missing_only_between(&self, from_us: i64, to_us: i64) -> Checked<()> {
        match self.missing.iter().find(|sent| !(from_us..=to_us).contains(&sent.at_us)) {
            Some(sent) => {
                let off = (sent.at_us - from_us) as f64 / 1e6;
                Err(format!("frame {} is missing, sent {off:+.3} s from the fault's start", sent.number))
            }
            None => Ok(()),
        }
    }

    /// Insists that what is there is the beginning of what was sent.
    ///
    /// # Errors
    /// When a frame is missing before one that is there.
    pub fn is_prefix(&self) -> Checked<()> {
        match self.missing.first() {
            Some(first) if self.last.is_some_and(|last| first.number < last) => {
                Err(format!("frame {} is missing before the end", first.number))
            }
            _ => Ok(()),
        }
    }

    /// Insists that nothing is missing.
    ///
    /// # Errors
    /// With how many are.
    pub fn nothing_missing(&self) -> Checked<()> {
        match self.missing.as_slice() {
            [] => Ok(()),
            [first, ..] => Err(format!("{} frames are missing, the first {}", self.missing.len(), first.number)),
        }
    }

    /// The account in a few words.
    pub fn words(&self) -> String {
        format!("{} of {} frames", self.received, self.received + self.missing.len())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sent(numbers: &[u32]) -> Vec<Sent> {
        numbers.iter().map(|n| Sent { number: *n, at_us: i64::from(*n) * 10 }).collect()
    }

    fn got(numbers: &[u32]) -> Vec<Got> {
        numbers.iter().map(|n| Got { number: Some(*n), t_us: i64::from(*n) * 10 + 3 }).collect()
    }

    #[test]
    fn losses_are_placed_and_everything_else_is_refused() {
        let sent = sent(&[0, 1, 2, 3, 4]);
        let lossy = account(&sent, &got(&[0, 1, 4])).expect("in order");
        assert_eq!((lossy.received, lossy.latest_us, lossy.missing.len()), (3, 3, 2));
        assert!(lossy.nothing_missing().is_err() && lossy.missing_only_between(15, 35).is_ok());
        assert!(lossy.missing_only_between(25, 35).is_err() && lossy.is_prefix().is_err());
        assert!(account(&sent, &got(&[0, 1])).is_ok_and(|a| a.is_prefix().is_ok() && a.missing.len() == 3));
        for (wrong, expected) in [
            (got(&[0, 0]), "frame 0 comes after frame 0"),
            (got(&[1, 0]), "frame 0 comes after frame 1"),
            (got(&[5]), "frame 5 was never sent whole"),
            (vec![Got { number: None, t_us: 7 }], "a frame at 7 was never sent"),
        ] {
            assert_eq!(account(&sent, &wrong), Err(expected.to_owned()));
        }
    }
}
