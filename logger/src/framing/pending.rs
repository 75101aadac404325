//! Bytes received but not yet cut into lines.

use std::ops::Range;

/// A line, or a piece of one that has grown too long, as a range of [`Pending::bytes`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Span {
    /// Bytes of the stream before it.
    pub(super) offset: u64,
    /// Where it is, without its line end.
    pub(super) range: Range<usize>,
    /// The byte that ended it; `None` for a piece of an endless line.
    pub(super) end: Option<u8>,
}

/// Bytes received but not yet cut into lines, of bounded size while they are drained.
///
/// A line without an end is given out in pieces once it has grown to `limit` bytes, and its last `keep` bytes stay
/// behind: a good message may hide at the end of garbage, so `keep` is the longest message there is. What is
/// cut, and where, depends on the stream alone and not on how it was split.
#[derive(Debug, Clone)]
pub(super) struct Pending {
    buffer: Vec<u8>,
    read: usize,
    scanned: usize,
    /// Offset in the stream of `buffer[read]`.
    offset: u64,
    limit: usize,
    keep: usize,
}

impl Pending {
    pub(super) fn new(limit: usize, keep: usize) -> Self {
        Self { buffer: Vec::new(), read: 0, scanned: 0, offset: 0, limit, keep }
    }

    pub(super) fn push(&mut self, bytes: &[u8]) {
        if self.read == self.buffer.len() {
            self.buffer.clear();
            self.read = 0;
        } else if self.read > self.limit {
            self.buffer.drain(..self.read);
            self.read = 0;
        }
        self.buffer.extend_from_slice(bytes);
    }

    pub(super) fn bytes(&self, range: Range<usize>) -> &[u8] {
        &self.buffer[range]
    }

    /// The next line that ends with one of the bytes for which `ends` holds.
    pub(super) fn next_line(&mut self, ends: impl Fn(u8) -> bool) -> Option<Span> {
        let waiting = &self.buffer[self.read..];
        let found = waiting[self.scanned..].iter().take(self.limit - self.scanned).position(|b| ends(*b));
        match found {
            Some(at) => {
                let length = self.scanned + at;
                let end = Some(waiting[length]);
                Some(self.take(length, 1, end))
            }
            None if waiting.len() >= self.limit => Some(self.take(self.limit - self.keep, 0, None)),
            None => {
                self.scanned = waiting.len();
                None
            }
        }
    }

    /// Bytes that are not cut into lines yet.
    pub(super) fn waiting(&self) -> usize {
        self.buffer.len() - self.read
    }

    /// All that is left, at the end of the stream.
    pub(super) fn rest(&mut self) -> Option<Span> {
        let length = self.buffer.len() - self.read;
        (length > 0).then(|| self.take(length, 0, None))
    }

    /// Goes on at another place of the stream, after bytes were lost. Nothing may be waiting.
    pub(super) fn seek(&mut self, offset: u64) {
        self.offset = offset;
    }

    fn take(&mut self, length: usize, end: usize, end_byte: Option<u8>) -> Span {
        let span = Span { offset: self.offset, range: self.read..self.read + length, end: end_byte };
        self.read += length + end;
        self.offset += (length + end) as u64;
        self.scanned = 0;
        span
    }

    /// How long a line may grow.
    pub(super) const fn limit(&self) -> usize {
        self.limit
    }
}
