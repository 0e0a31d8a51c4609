//! A word as it is typed in a command line.
//!
//! Invariant: pasted into a POSIX shell, it is one word with exactly these bytes, and it is harmless on a screen.

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;

/// A word ready to be pasted into a POSIX shell, whatever it holds.
pub fn typed(word: &OsStr) -> String {
    let bytes = word.as_bytes();
    let plain = |b: &u8| b.is_ascii_alphanumeric() || b"/._-+=:,@%".contains(b);
    if bytes.first() == Some(&b'-') {
        // It would be taken for an option.
        let mut beside = b"./".to_vec();
        beside.extend_from_slice(bytes);
        return typed(OsStr::from_bytes(&beside));
    }
    if !bytes.is_empty() && bytes.iter().all(plain) {
        return word.to_string_lossy().into_owned();
    }
    match std::str::from_utf8(bytes) {
        Ok(text) if super::shown(text) == text => {
            format!("'{}'", text.replace('\'', "'\\''"))
        }
        // The ANSI-C quoting of POSIX.1-2024, 2.2.4: every byte that is not plain in octal.
        _ => {
            let mut out = String::from("$'");
            for byte in bytes {
                if plain(byte) || *byte == b' ' {
                    out.push(char::from(*byte));
                } else {
                    out.push_str(&format!("\\{byte:03o}"));
                }
            }
            out.push('\'');
            out
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pasting_a_path_is_safe() {
        let q = |bytes: &[u8]| typed(OsStr::from_bytes(bytes));
        assert_eq!(q(b"/mnt/a-1"), "/mnt/a-1");
        assert_eq!(q(b"/mnt/my job"), "'/mnt/my job'");
        assert_eq!(q(b"it's;rm"), "'it'\\''s;rm'");
        assert_eq!(q(b"a\nb"), "$'a\\012b'");
        assert_eq!(q(b"caf\xe9"), "$'caf\\351'");
        assert_eq!(q(b""), "''");
        assert_eq!(q(b"-rf"), "./-rf");
    }
}
