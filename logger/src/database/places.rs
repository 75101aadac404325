//! Where messages and signals stand in the text, which the parser does not say, and the identifiers as written,
//! which it cuts to the bits that fit.

/// A message as it stands in the text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct MessagePlace {
    /// Line from 1.
    pub(super) line: usize,
    /// Identifier as written, bit 31 set for an extended one; `None` when it is beyond all bounds.
    pub(super) id: Option<u64>,
    /// Lines of its signals, in order.
    pub(super) signals: Vec<usize>,
}

struct Word<'a> {
    text: &'a str,
    line: usize,
}

/// The messages of a text in order. Words inside quotes and comments are left out, so that a comment which quotes a
/// definition is none.
pub(super) fn places(text: &str) -> Vec<MessagePlace> {
    let words = words(text);
    let mut messages: Vec<MessagePlace> = Vec::new();
    for (i, word) in words.iter().enumerate() {
        let after = &words[i + 1..];
        match word.text {
            // `BO_ id name :` defines a message; behind other key words there is no colon.
            "BO_" if colon_within(after, 1..=1) => {
                let id = after.first().and_then(|w| w.text.parse().ok());
                messages.push(MessagePlace { line: word.line, id, signals: Vec::new() });
            }
            // `SG_ name [multiplexing] :`
            "SG_" if colon_within(after, 0..=1) => {
                if let Some(message) = messages.last_mut() {
                    message.signals.push(word.line);
                }
            }
            _ => {}
        }
    }
    messages
}

/// Whether one of some words ends with a colon, or is followed by one, before any other does.
fn colon_within(words: &[Word<'_>], at: std::ops::RangeInclusive<usize>) -> bool {
    let colon = words.iter().take(at.end() + 2).position(|w| w.text.contains(':'));
    colon.is_some_and(|i| {
        let owner = if words[i].text.starts_with(':') { i.checked_sub(1) } else { Some(i) };
        owner.is_some_and(|owner| at.contains(&owner))
    })
}

/// Words outside quotes and `//` comments; a quoted string is one word without its content.
fn words(text: &str) -> Vec<Word<'_>> {
    let bytes = text.as_bytes();
    let (mut words, mut at, mut line) = (Vec::new(), 0, 1);
    while at < bytes.len() {
        match bytes[at] {
            b'\n' => {
                line += 1;
                at += 1;
            }
            byte if byte.is_ascii_whitespace() => at += 1,
            b'/' if bytes.get(at + 1) == Some(&b'/') => {
                at += bytes[at..].iter().position(|b| *b == b'\n').unwrap_or(bytes.len() - at);
            }
            b'"' => {
                words.push(Word { text: "\"", line });
                let end = string_end(bytes, at + 1);
                line += bytes[at..end].iter().filter(|b| **b == b'\n').count();
                at = end;
            }
            _ => {
                let ends = |b: &u8| b.is_ascii_whitespace() || *b == b'"';
                let end = at + bytes[at..].iter().position(ends).unwrap_or(bytes.len() - at);
                words.push(Word { text: &text[at..end], line });
                at = end;
            }
        }
    }
    words
}

/// Just behind the quote that ends a string; `\"` does not.
fn string_end(bytes: &[u8], from: usize) -> usize {
    let mut at = from;
    while at < bytes.len() {
        match bytes[at] {
            b'\\' if bytes.get(at + 1) == Some(&b'"') => at += 2,
            b'"' => return at + 1,
            _ => at += 1,
        }
    }
    bytes.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn definitions_are_told_from_words_that_look_like_them() {
        let text = "BO_ 784 Pack: 4 Kit\n SG_ A : 0|8@1+ (1,0) [0|0] \"V\" Kit\n SG_ B m1 : 8|8@1+ (1,0) [0|0] \"\" Kit\n\n\
            BO_ 99999999999999999999 Odd : 8 Kit\n // BO_ 5 Not: 8 Kit\nCM_ BO_ 784 \"says\n BO_ 7 Nor: 8 \\\" Kit\";\n\
            CM_ SG_ 784 A \"x\";\nBA_ \"P\" BO_ 784 5;\nBA_ \"P\" SG_ 784 A 5;\nBO_ 2147485000 Last: 8 Kit\n";
        let found = places(text);
        assert_eq!(found.iter().map(|m| m.line).collect::<Vec<_>>(), [1, 5, 12]);
        assert_eq!(found[0], MessagePlace { line: 1, id: Some(784), signals: vec![2, 3] });
        assert_eq!((found[1].id, found[2].id), (None, Some(2_147_485_000)));
    }
}
