//! Delimited text lines, ended by CR, LF or both.
//!
//! A line passes when it has a cell for each column, or names them. Blank lines carry nothing and are left out.

use std::collections::VecDeque;

use super::{
    Columns, End, Row,
    pending::{Pending, Span},
};
use crate::message::{Bad, Fault, Framed, Message, escaped};

/// A line that grows beyond this is garbage.
const LIMIT: usize = 16_384;

/// Cuts a stream of delimited text into lines.
#[derive(Debug, Clone)]
pub struct TextFramer {
    pending: Pending,
    columns: Columns,
    ready: VecDeque<Framed>,
    inside: bool,
    perhaps: bool,
    broken: bool,
}

impl TextFramer {
    /// A framer at the start of a stream.
    pub fn new(columns: Columns) -> Self {
        // No line can be told from the end of another, so nothing is kept of an endless one.
        let pending = Pending::new(LIMIT, 0);
        Self { pending, columns, ready: VecDeque::new(), inside: false, perhaps: false, broken: false }
    }

    /// Says that the next bytes may begin inside a line. Then the first line is a fragment even when it has the
    /// right number of cells: `5,6.7` may be the end of `15,6.7`.
    pub fn begin_inside(&mut self) {
        self.inside = true;
    }

    /// Says that the first line may lack its beginning, as in a capture that was started in the middle of one. Where
    /// the rig names the columns, a first line that has too few of them is then a fragment and not malformed.
    pub fn begin_perhaps_inside(&mut self) {
        self.perhaps = self.columns.is_fixed();
    }

    /// Takes bytes in the order in which they arrived.
    pub fn received(&mut self, bytes: &[u8]) {
        self.pending.push(bytes);
    }

    /// The next whole line, if there is one.
    #[expect(clippy::should_implement_trait, reason = "more may come after `None`")]
    pub fn next(&mut self) -> Option<Framed> {
        loop {
            if let Some(framed) = self.ready.pop_front() {
                return Some(framed);
            }
            let span = self.pending.next_line(|b| matches!(b, b'\r' | b'\n'))?;
            if let Some(framed) = self.line(span) {
                return Some(framed);
            }
        }
    }

    /// Ends the stream; what is left comes out of [`TextFramer::next`].
    pub fn finish(&mut self, end: End) {
        self.ready = std::iter::from_fn(|| self.next()).collect();
        let Some(mut span) = self.pending.rest() else { return };
        let last = match end {
            End::Complete => {
                span.end = Some(b'\n');
                self.line(span)
            }
            End::Cut => {
                let text = escaped(self.pending.bytes(span.range));
                let message = Message::Bad(Bad { text, fault: Fault::Cut });
                Some(Framed { offset: span.offset, message })
            }
        };
        self.ready.extend(last);
    }

    /// Bytes of a message that is not whole yet, once it has been drained.
    pub(crate) fn waiting(&self) -> usize {
        self.pending.waiting()
    }

    pub(super) fn seek(&mut self, offset: u64) {
        self.pending.seek(offset);
    }

    fn line(&mut self, span: Span) -> Option<Framed> {
        let bytes = self.pending.bytes(span.range);
        let broken = std::mem::replace(&mut self.broken, span.end.is_none());
        if bytes.iter().all(u8::is_ascii_whitespace) {
            return None;
        }
        let text = escaped(bytes);
        let perhaps = std::mem::take(&mut self.perhaps);
        let message = if broken || span.end.is_none() {
            Message::Bad(Bad { text, fault: Fault::Endless(LIMIT) })
        } else if std::mem::take(&mut self.inside) {
            Message::Fragment(text)
        } else {
            match self.columns.judge(&text) {
                Row::Mismatch { expected, found } if perhaps && found < expected => Message::Fragment(text),
                Row::Mismatch { expected, found } => {
                    Message::Bad(Bad { text, fault: Fault::Columns { expected, found } })
                }
                Row::Header | Row::Cells => Message::Line(text),
            }
        };
        Some(Framed { offset: span.offset, message })
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{Rig, TextFile};

    use super::*;

    fn framer(port: &str) -> TextFramer {
        let text = format!("schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"box\"\nkind = \"text\"\n{port}");
        let rig = Rig::parse(TextFile::new("rig.toml", text)).expect("a rig");
        TextFramer::new(Columns::of(&rig.ports[0]))
    }

    fn all(framer: &mut TextFramer, bytes: &[u8], end: End) -> Vec<String> {
        framer.received(bytes);
        let mut out: Vec<Framed> = std::iter::from_fn(|| framer.next()).collect();
        framer.finish(end);
        out.extend(std::iter::from_fn(|| framer.next()));
        let show = |f: Framed| match f.message {
            Message::Line(text) => format!("{} {text}", f.offset),
            Message::Bad(bad) => format!("{} bad {}: {}", f.offset, bad.text, bad.fault),
            other => format!("{} {other:?}", f.offset),
        };
        out.into_iter().map(show).collect()
    }

    #[test]
    fn lines_end_in_any_of_the_usual_ways() {
        let mut f = framer("");
        assert_eq!(
            all(&mut f, b"\xEF\xBB\xBFa,b\r\n1,2\n\n3,4\r5,6", End::Complete),
            ["0 \u{FEFF}a,b", "8 1,2", "13 3,4", "17 5,6"]
        );
    }

    #[test]
    fn a_line_with_other_columns_is_bad_and_the_next_is_not() {
        let mut f = framer("columns = [\"a\", \"b\"]\n");
        assert_eq!(
            all(&mut f, b"1,2\n1,2,3\n4,5\n6,", End::Cut),
            ["0 1,2", "4 bad 1,2,3: 3 columns where 2 were expected", "10 4,5", "14 bad 6,: cut off before its end"]
        );
    }

    #[test]
    fn an_endless_line_is_bad_to_its_end() {
        let mut f = framer("columns = [\"a\"]\n");
        let mut bytes = vec![b'7'; LIMIT + 10];
        bytes.extend_from_slice(b"\n8\n");
        let out = all(&mut f, &bytes, End::Cut);
        assert_eq!(out.len(), 3);
        assert!(out[0].contains("no line end") && out[1].contains("no line end") && out[2].ends_with(" 8"));
    }

    #[test]
    fn a_first_line_that_lacks_columns_may_be_a_fragment() {
        let columns = "columns = [\"a\", \"b\", \"c\"]\n";
        for (bytes, expected) in [
            (
                "5,6.7\n1,2\n1,2,3\n",
                ["0 Fragment(\"5,6.7\")", "6 bad 1,2: 2 columns where 3 were expected", "10 1,2,3"],
            ),
            ("\n7\n1,2\n1,2,3\n", ["1 Fragment(\"7\")", "3 bad 1,2: 2 columns where 3 were expected", "7 1,2,3"]),
            ("1,2,3\n1,2\n4,5,6\n", ["0 1,2,3", "6 bad 1,2: 2 columns where 3 were expected", "10 4,5,6"]),
        ] {
            let mut f = framer(columns);
            f.begin_perhaps_inside();
            assert_eq!(all(&mut f, bytes.as_bytes(), End::Complete), expected);
        }
        let mut f = framer(columns);
        f.begin_perhaps_inside();
        assert!(all(&mut f, b"1,2,3,4\n", End::Complete)[0].contains("bad"), "too many columns are no cut");
        // Where the first line is to name the columns, it is taken at its word.
        let mut f = framer("");
        f.begin_perhaps_inside();
        assert_eq!(all(&mut f, b"a,b\n1\n", End::Complete)[1], "4 bad 1: 1 columns where 2 were expected");
    }

    #[test]
    fn the_first_line_of_a_live_stream_is_a_fragment() {
        let mut f = framer("columns = [\"a\", \"b\"]\n");
        f.begin_inside();
        assert_eq!(all(&mut f, b"5,6.7\n16,6.8\n", End::Cut), ["0 Fragment(\"5,6.7\")", "6 16,6.8"]);
    }
}
