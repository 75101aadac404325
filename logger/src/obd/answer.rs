//! What a message of an ECU says about a request.

use tallywheel_schemas::obd::SERVICE_CURRENT_DATA;

/// A message about service 01.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Answer<'a> {
    /// A parameter and its data.
    Positive { pid: u8, data: &'a [u8] },
    /// The answer takes longer (response pending, code 78).
    Pending,
    /// Refused, with a code.
    Negative { code: u8 },
}

const POSITIVE: u8 = SERVICE_CURRENT_DATA | 0x40;
const NEGATIVE: u8 = 0x7F;
const RESPONSE_PENDING: u8 = 0x78;

/// Reads a message; `None` when it is about something else. Source of the negative form: `7F <service> <code>`, from
/// memory.
pub(super) fn answer(message: &[u8]) -> Option<Answer<'_>> {
    match message {
        [POSITIVE, pid, data @ ..] => Some(Answer::Positive { pid: *pid, data }),
        [NEGATIVE, SERVICE_CURRENT_DATA, RESPONSE_PENDING, ..] => Some(Answer::Pending),
        [NEGATIVE, SERVICE_CURRENT_DATA, code, ..] => Some(Answer::Negative { code: *code }),
        _ => None,
    }
}

/// Whether a refusal will stay one: service, parameter or range not supported. Others pass, as "busy" does.
pub(super) const fn is_final(code: u8) -> bool {
    matches!(code, 0x11 | 0x12 | 0x31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_are_answers_or_something_else() {
        assert_eq!(answer(&[0x41, 0x0C, 0x1A, 0xF8]), Some(Answer::Positive { pid: 0x0C, data: &[0x1A, 0xF8] }));
        assert_eq!(answer(&[0x7F, 0x01, 0x78]), Some(Answer::Pending));
        assert_eq!(answer(&[0x7F, 0x01, 0x12]), Some(Answer::Negative { code: 0x12 }));
        assert_eq!(answer(&[0x7F, 0x22, 0x12]), None, "another service");
        assert_eq!((answer(&[0x41]), answer(&[])), (None, None));
    }
}
