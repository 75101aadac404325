//! The secret that lets a page in from the network.

use std::{fmt, io};

use blake3::Hash;

/// 128 bits from the operating system.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl Token {
    /// A new one.
    ///
    /// # Errors
    /// When the system gives no random bytes.
    pub fn new_random() -> io::Result<Self> {
        let mut bytes = [0_u8; 16];
        getrandom::fill(&mut bytes).map_err(|e| io::Error::other(e.to_string()))?;
        Ok(Self(bytes.iter().map(|b| format!("{b:02x}")).collect()))
    }

    /// As it is written in an address: 32 hexadecimal digits.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// Whether an offered text is this token. The time that it takes does not depend on how much of it is right:
    /// hashes are compared, and [`struct@Hash`] does that in constant time.
    pub fn is(&self, offered: &str) -> bool {
        let hash = |text: &str| -> Hash { blake3::hash(text.as_bytes()) };
        hash(offered) == hash(&self.0)
    }
}

/// A token does not belong into a log.
impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(…)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_long_new_and_known_only_whole() {
        let (one, other) = (Token::new_random().expect("bytes"), Token::new_random().expect("bytes"));
        assert!(one != other && one.text().len() == 32 && one.text().bytes().all(|b| b.is_ascii_hexdigit()));
        assert!(one.is(one.text()) && !one.is(other.text()) && !one.is("") && !one.is(&one.text()[..31]));
        assert!(!format!("{one:?}").contains(one.text()));
    }
}
