//! The seal of a manifest: a hash of its own text, so that a change made after sealing is seen.
//!
//! The seal is BLAKE3 of the manifest's JSON as written, without white space between its tokens and without the member
//! `seal`, which stands last. It is taken over the text and not over the values: numbers are compared as they were
//! written, and a manifest of an earlier release keeps its seal when a later one adds a member.
//!
//! It shows an accident or a quiet edit. It is no signature: who seals anew leaves no trace.

use super::Manifest;
use crate::digest::Digest;

/// What a manifest's seal says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seal {
    /// It is as it was sealed.
    Holds,
    /// It was altered after sealing.
    Altered,
    /// It has no seal, as manifests of early releases; an alteration cannot be seen.
    Absent,
}

impl Manifest {
    /// The manifest with a seal over all it says now. Nothing may be changed after this.
    #[must_use]
    pub fn sealed(mut self) -> Self {
        self.seal = None;
        self.seal = Some(Digest::of(&compact(self.to_json().as_bytes())));
        self
    }

    /// Compares the manifest's seal with the text that it was read from.
    pub fn check_seal(&self, text: &[u8]) -> Seal {
        let Some(seal) = self.seal else {
            // A release that records footers seals as well, so the seal was taken away.
            let recent = self.files.iter().any(|f| f.footer.is_some());
            return if recent { Seal::Altered } else { Seal::Absent };
        };
        let mut compact = compact(text);
        let member = format!(",\"seal\":\"{seal}\"}}");
        if !compact.ends_with(member.as_bytes()) {
            return Seal::Altered;
        }
        compact.truncate(compact.len() - member.len());
        compact.push(b'}');
        if Digest::of(&compact) == seal { Seal::Holds } else { Seal::Altered }
    }
}

/// JSON without white space between its tokens.
fn compact(text: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    let (mut in_string, mut escaped) = (false, false);
    for byte in text {
        if !in_string && byte.is_ascii_whitespace() {
            continue;
        }
        out.push(*byte);
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_string => escaped = true,
            b'"' => in_string = !in_string,
            _ => {}
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_space_between_tokens_is_left_out() {
        let text = br#"{ "a b" : "c \" d\\" , "e":[ 1 , 2.50 ] }"#;
        assert_eq!(compact(text), br#"{"a b":"c \" d\\","e":[1,2.50]}"#);
    }
}
