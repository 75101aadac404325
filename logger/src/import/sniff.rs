//! What a file that could not be read looks like, in words.

use std::{fs::File, io::Read, path::Path};

/// Bytes that are looked at.
const HEAD: u64 = 4096;
/// Lines that are looked at.
const LINES: usize = 20;

/// What the beginning of a file looks like.
pub(super) fn looks_like(path: &Path) -> String {
    let mut head = Vec::new();
    match File::open(path).and_then(|file| file.take(HEAD).read_to_end(&mut head)) {
        Ok(_) => describe(&head),
        Err(error) => format!("nothing, for it cannot be read: {error}"),
    }
}

const MAGICS: [(&[u8], &str); 9] = [
    (b"PAR1", "a Parquet file"),
    (b"\x1F\x8B", "a gzip archive; unpack it first"),
    (b"PK\x03\x04", "a zip archive or a spreadsheet; unpack it, or save it as delimited text"),
    (b"\x28\xB5\x2F\xFD", "a zstd archive; unpack it first"),
    (b"BZh", "a bzip2 archive; unpack it first"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"TWJR", "a journal of this logger; `recover` finishes it"),
    (b"SQLite format 3", "an SQLite database"),
];

/// What a file is that is surely no capture, by its first bytes: by chance there is a good message in any noise.
pub(super) fn is_surely(path: &Path) -> std::io::Result<Option<&'static str>> {
    let mut head = Vec::new();
    File::open(path)?.take(HEAD).read_to_end(&mut head)?;
    Ok(magic(&head))
}

fn magic(head: &[u8]) -> Option<&'static str> {
    MAGICS.iter().find(|(magic, _)| head.starts_with(magic)).map(|(_, what)| *what)
}

fn describe(head: &[u8]) -> String {
    if let Some(what) = magic(head) {
        return what.to_owned();
    }
    if head.starts_with(b"\xFF\xFE") || head.starts_with(b"\xFE\xFF") {
        return "text in UTF-16; save it as UTF-8".to_owned();
    }
    let control = |b: &&u8| (**b < 0x20 && !matches!(**b, b'\t' | b'\r' | b'\n' | 0x07)) || **b == 0x7F;
    if head.iter().filter(control).count() * 20 > head.len() {
        return "binary data".to_owned();
    }
    let text = String::from_utf8_lossy(head);
    let lines = || text.split(['\r', '\n', '\u{7}']).map(str::trim).filter(|l| !l.is_empty()).take(LINES);
    let (count, most) =
        (lines().count(), |is: fn(&str) -> bool| lines().filter(|l| is(l)).count() * 2 > lines().count());
    match count {
        0 => "white space only".to_owned(),
        _ if most(is_nmea) => "an NMEA log of a satellite receiver".to_owned(),
        _ if most(is_log) => "a CAN log with times, `(seconds) interface id#data`".to_owned(),
        _ if most(is_slcan) => "slcan text of a CAN adapter".to_owned(),
        _ if text.trim_start().starts_with(['{', '[']) => "JSON".to_owned(),
        _ if text.trim_start().starts_with('<') => "XML or HTML".to_owned(),
        _ => delimited(&lines().collect::<Vec<_>>()).unwrap_or_else(|| "plain text".to_owned()),
    }
}

fn is_nmea(line: &str) -> bool {
    line.starts_with(['$', '!']) && line.contains(',')
}

fn is_log(line: &str) -> bool {
    line.starts_with('(') && line.contains('#')
}

fn is_slcan(line: &str) -> bool {
    let digits = line.get(1..).unwrap_or_default();
    line.starts_with(['t', 'T', 'r', 'R', 'd', 'D', 'b', 'B'])
        && digits.len() >= 4
        && digits.bytes().all(|b| b.is_ascii_hexdigit())
}

/// Text that most lines divide into the same number of columns.
fn delimited(lines: &[&str]) -> Option<String> {
    [(',', "`,`"), (';', "`;`"), ('\t', "tabs")].into_iter().find_map(|(separator, name)| {
        let columns = |line: &&str| line.matches(separator).count() + 1;
        let usual = lines.iter().map(columns).max().filter(|n| *n > 1)?;
        let alike = lines.iter().filter(|l| columns(l) == usual).count();
        (alike * 2 > lines.len()).then(|| format!("text in {usual} columns separated by {name}"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_files_are_known_by_their_beginning() {
        let cases: [(&[u8], &str); 13] = [
            (b"PAR1\x15\x04", "a Parquet file"),
            (b"\x1F\x8B\x08\x00", "a gzip archive; unpack it first"),
            (b"\xFF\xFEa\0b\0", "text in UTF-16; save it as UTF-8"),
            (b"\x00\x01\x02\x03abc", "binary data"),
            (b"  \r\n\n", "white space only"),
            (b"$GPRMC,1,2*00\r\n$GPGGA,1*00\r\n", "an NMEA log of a satellite receiver"),
            (b"(1.0) can0 123#11\n", "a CAN log with times, `(seconds) interface id#data`"),
            (b"t1230\rt45611122\r", "slcan text of a CAN adapter"),
            (b"{\"a\": 1}", "JSON"),
            (b"<html>", "XML or HTML"),
            (b"a;b;c\n1;2;3\n4;5;6\n", "text in 3 columns separated by `;`"),
            (b"a\tb\n1\t2\n", "text in 2 columns separated by tabs"),
            (b"hello\nworld\n", "plain text"),
        ];
        for (head, expected) in cases {
            assert_eq!(describe(head), expected);
        }
    }
}
