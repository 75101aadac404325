//! A journal read by the layout that its documentation draws, independent of the logger's own reader: which frames
//! stand whole in which part of the file.

use std::{collections::HashSet, fs, os::unix::fs::MetadataExt, path::Path};

use super::{Checked, frames, sealed, sealed::Got, shim::Faults, within};

const HEAD: usize = 20;
/// Bytes that a record holds at most when it is unpacked.
const MOST: usize = 4 << 20;

/// What is in a whole journal.
#[derive(Debug, Default)]
pub(super) struct Walk {
    /// Numbers of the frames of the first port, in order.
    pub(super) numbers: Vec<u32>,
    /// End of each record, and how many frames stand whole in the file up to there.
    pub(super) ends: Vec<(usize, usize)>,
    /// The last record is an end mark.
    pub(super) ended: bool,
}

impl Walk {
    /// Walks a journal up to the first record that is not whole. Checksums are not looked at: a journal that nobody
    /// damaged is expected.
    ///
    /// # Errors
    /// On a kind of record that this walk does not know: then it would see too little, and nobody would miss it.
    pub(super) fn of(journal: &[u8]) -> Checked<Self> {
        let (mut walk, mut line, mut due) = (Self::default(), Vec::new(), None);
        let mut at = 0;
        while let Some(head) = journal.get(at..at + HEAD).filter(|head| head.starts_with(b"TWJR")) {
            let length = u32::from_le_bytes([head[8], head[9], head[10], head[11]]) as usize;
            let Some(payload) = journal.get(at + HEAD..at + HEAD + length) else { break };
            match head[6] {
                0 | 2 | 3 | 4 => {}
                1 => walk.bytes(payload, &mut line, &mut due),
                5 => {
                    let unpacked = zstd::bulk::decompress(payload, MOST).map_err(within("a packed record"))?;
                    walk.bytes(&unpacked, &mut line, &mut due);
                }
                other => return Err(format!("a journal record of kind {other} at byte {at} is not known here")),
            }
            walk.ended = head[6] == 3;
            at += HEAD + length;
            walk.ends.push((at, walk.numbers.len()));
        }
        Ok(walk)
    }

    /// The chunks of a batch: `port 2, stamp 8, offset 8`, then `delta 4, length 2, bytes` each.
    fn bytes(&mut self, payload: &[u8], line: &mut Vec<u8>, due: &mut Option<u64>) {
        if !payload.starts_with(&[0, 0]) {
            return;
        }
        let Some((offset, mut rest)) = payload.get(10..).and_then(<[u8]>::split_first_chunk::<8>) else { return };
        let mut offset = u64::from_le_bytes(*offset);
        if due.is_some_and(|due| due != offset) {
            line.clear();
        }
        while let Some((head, after)) = rest.split_first_chunk::<6>() {
            let length = usize::from(u16::from_le_bytes([head[4], head[5]]));
            let Some((chunk, after)) = after.split_at_checked(length) else { break };
            for byte in chunk {
                if *byte == b'\r' {
                    self.numbers.extend(frames::number_in_line(line));
                    line.clear();
                } else {
                    line.push(*byte);
                }
            }
            offset += length as u64;
            rest = after;
        }
        *due = Some(offset);
    }

    /// Frames that stand whole in the whole records up to a place in the file.
    pub(super) fn up_to(&self, place: usize) -> &[u32] {
        let records = self.ends.partition_point(|(end, _)| *end <= place);
        let count = records.checked_sub(1).map_or(0, |last| self.ends[last].1);
        &self.numbers[..count]
    }
}

/// Numbers of the frames that a recorder's syncs have vouched for and that wait in journals to be recovered. Without
/// the shim nobody vouches for anything.
pub(super) fn acknowledged(dataset: &Path, faults: Option<&Faults>) -> Checked<Vec<u32>> {
    let mut numbers = Vec::new();
    for directory in sealed::entries(&dataset.join(".journal"))? {
        let path = directory.join("journal.twj");
        let (Ok(bytes), Some(faults)) = (fs::read(&path), faults) else { continue };
        let vouched = vouched(&path, faults)?;
        numbers.extend_from_slice(Walk::of(&bytes)?.up_to(vouched));
    }
    Ok(numbers)
}

/// Bytes of a journal that a sync has vouched for.
pub(super) fn vouched(journal: &Path, faults: &Faults) -> Checked<usize> {
    let facts = fs::metadata(journal).map_err(within(journal.display()))?;
    let vouched = faults.vouched(facts.ino()).map_err(within("the shim"))?;
    // More than there is was said of a file that had the inode before and is gone.
    Ok(if vouched > facts.len() { 0 } else { vouched as usize })
}

/// Insists that frames are among what was sealed.
pub(super) fn contains_all<'a>(got: impl IntoIterator<Item = &'a Got>, numbers: &[u32]) -> Checked<()> {
    let found: HashSet<u32> = got.into_iter().filter_map(|g| g.number).collect();
    let lost: Vec<&u32> = numbers.iter().filter(|n| !found.contains(n)).collect();
    match lost.first() {
        // A check of nothing would always hold.
        None if numbers.is_empty() => Err("nothing had been acknowledged".to_owned()),
        None => Ok(()),
        Some(first) => Err(format!("{} acknowledged frames are lost, the first {first}", lost.len())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Built byte by byte from the layout in the journal's documentation.
    #[test]
    fn frames_are_counted_to_the_records_that_complete_them() {
        let record = |kind: u8, payload: &[u8]| {
            let mut bytes = b"TWJR\x02\0".to_vec();
            bytes.extend([kind, 0]);
            bytes.extend((payload.len() as u32).to_le_bytes());
            bytes.extend([0; 8]);
            bytes.extend(payload);
            bytes
        };
        let batch = |offset: u64, text: &str| {
            let mut payload = vec![0, 0];
            payload.extend([0; 8]);
            payload.extend(offset.to_le_bytes());
            payload.extend([0; 4]);
            payload.extend((text.len() as u16).to_le_bytes());
            payload.extend(text.as_bytes());
            payload
        };
        let (one, two) = (frames::line(1, None), frames::line(2, None));
        let (head, tail) = two.split_at(9);
        let first = [one.as_str(), head].concat();
        let packed = zstd::bulk::compress(&batch(first.len() as u64, tail), 1).expect("memory");
        let records =
            [record(0, b"{}"), record(1, &batch(0, &first)), record(2, b"{}"), record(5, &packed), record(3, b"{}")];
        let whole = records.concat();
        let walk = Walk::of(&whole).expect("known kinds");
        assert_eq!((walk.ended, walk.ends.len(), walk.numbers.as_slice()), (true, 5, &[1, 2][..]));
        let place = |n: usize| records[..n].iter().map(Vec::len).sum::<usize>();
        let counts: Vec<usize> = (0..=5).map(|n| walk.up_to(place(n)).len()).collect();
        assert_eq!(counts, [0, 0, 1, 1, 2, 2]);
        assert_eq!(walk.up_to(place(4) - 1).len(), 1);
        let cut = Walk::of(&whole[..place(4) - 1]).expect("known kinds");
        assert_eq!((cut.ended, cut.numbers.as_slice()), (false, &[1][..]));
        assert!(Walk::of(&record(6, b"")).is_err());
    }
}
