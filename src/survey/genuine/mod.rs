//! Whether a file is what its name claims, as far as its bytes can tell: equal is not good.
//!
//! Invariant: a doubt is raised only on evidence. An unknown form, an encrypted file, a picture under
//! another picture's name are no doubts: an alarm that turns out empty teaches people not to look.
//! What damaged content looks like: blank (a copy of nothing), half-written (the rest zeros), cut off
//! (shorter than its own account), spoilt (a checksum that does not fit), mislabelled (another form).

mod form;
mod look;
mod packed;
mod structure;

pub use form::{Form, claimed, shown};
pub use look::Look;

use crate::port::Fault;

/// Work space that a look needs, in bytes.
pub const BLOCK: usize = 256 << 10;
/// A file without a known form is blank only from this size on.
const BLANK_FROM: u64 = 4096;

/// No picture, film or document of a form known here is smaller (engineering judgement).
const WEIGHS_FROM: u64 = 64;

/// Why a file may not be what its name claims; `None` = nothing speaks against it.
/// `is_hole` = the source had allocated nothing for it.
///
/// # Errors
/// When it cannot be read.
pub fn doubt(name: &str, is_hole: bool, look: &mut Look<'_>) -> Result<Option<String>, Fault> {
    let claimed = claimed(name);
    let Some(claim) = claimed else {
        // A file of zeros that never had room on the drive was made so (a disk image, say).
        let is_blank = look.bytes() >= BLANK_FROM && !is_hole;
        return Ok(
            match is_blank.then(|| look.one_byte()).transpose()?.flatten() {
                Some(0) => Some("it holds nothing but zeros".into()),
                Some(0xff) => Some("it holds nothing but the byte FF".into()),
                _ => None,
            },
        );
    };
    if look.bytes() == 0 {
        // Texts and databases may be empty.
        let may_be = matches!(claim, Form::Text | Form::Sqlite);
        return Ok((!may_be).then(|| format!("it is empty, and its name says {}", claim.words())));
    }
    let blank = look.one_byte()?;
    if let Some(byte) = blank
        && (claim != Form::Text || matches!(byte, 0 | 0xff) && look.bytes() >= 16)
    {
        return Ok(Some(if byte == 0 {
            "it holds nothing but zeros".into()
        } else {
            format!("it holds nothing but the byte {byte:02X}")
        }));
    }
    let head = look.at(0, 4096)?;
    let found = form::shown(&head);
    let form = match found {
        Some(found) if found.serves_as(claim) => found,
        _ if claim.is_loose() => claim,
        // What cannot be told from noise may be encrypted by the program that made it.
        None if claim == Form::Sqlite => return Ok(None),
        Some(Form::Text) | None => {
            return Ok(Some(format!(
                "its name says {}, and it does not begin like one (it begins with {})",
                claim.words(),
                begins(&head)
            )));
        }
        Some(found) => {
            return Ok(Some(format!(
                "its name says {}, and it begins like {}",
                claim.words(),
                found.words()
            )));
        }
    };
    if let Some(why) = structure::doubt(form, look)? {
        return Ok(Some(why));
    }
    half_written(form, look)
}

/// Whether a file like this is no loss even when its content is in doubt: too small to hold anything, never given room
/// on the drive, or made by a system for its own use beside the real thing.
pub fn is_harmless(name: &str, bytes: u64, is_hole: bool) -> bool {
    let lower = name.to_lowercase();
    bytes < WEIGHS_FROM || is_hole || form::is_companion(&lower) || lower.ends_with("thumbs.db")
}

fn begins(head: &[u8]) -> String {
    let bytes: Vec<String> = head
        .iter()
        .take(8)
        .map(|byte| format!("{byte:02X}"))
        .collect();
    bytes.join(" ")
}

/// A run of zeros at the end of a form that never ends so: the length was kept, the content not yet written.
/// (Engineering judgement: long enough, and a large enough share, that no padding is taken for it.)
fn half_written(form: Form, look: &mut Look<'_>) -> Result<Option<String>, Fault> {
    let bytes = look.bytes();
    let (at_least, share) = match form {
        Form::Text | Form::RichText => (512, bytes / 100),
        Form::Bzip2 | Form::Zstd | Form::Rar | Form::Gif => (4096, bytes / 20),
        Form::Mp3 | Form::Ogg | Form::Flac => (64 << 10, bytes / 4),
        Form::Compound => (64 << 10, bytes / 2),
        _ => return Ok(None),
    };
    let zeros = look.trailing_zeros()?;
    if zeros < at_least || zeros < share {
        return Ok(None);
    }
    Ok(Some(format!(
        "its last {zeros} of {bytes} bytes are zeros: it looks written in part"
    )))
}

#[cfg(test)]
mod tests;
