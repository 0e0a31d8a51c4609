//! Bytes from hex digits, two a byte.

/// The bytes; `None` = an odd number of digits, or something that is none.
pub fn unhex(text: &str) -> Option<Vec<u8>> {
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if !rest.is_empty() {
        return None;
    }
    let digit = |byte: u8| char::from(byte).to_digit(16);
    pairs
        .iter()
        .map(|[high, low]| u8::try_from(digit(*high)? * 16 + digit(*low)?).ok())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_digits_make_a_byte() {
        assert_eq!(unhex("00aFff"), Some(vec![0, 0xaf, 0xff]));
        assert_eq!(unhex(""), Some(Vec::new()));
        for odd in ["0", "0g", "+1", "\u{e9}"] {
            assert_eq!(unhex(odd), None, "{odd}");
        }
    }
}
