//! Whether a file of a known form is all there: end marks, lists of contents, checksums, lengths.
//!
//! Invariant: a doubt is raised only where the form's standard says that a whole file cannot be so.

use super::form::Form;
use super::look::Look;
use super::packed::{self, Budget, Unpacked};
use crate::port::Fault;

type Doubt = Result<Option<String>, Fault>;

/// Entries of a package that are looked at; a package with more is taken as it is beyond them.
const ENTRIES: usize = 2000;
/// Boxes, segments or chunks that are followed.
const STEPS: usize = 200_000;
/// From the end, an end mark is looked for in so many bytes first.
const TAIL: u64 = 64 << 10;

fn be32(bytes: &[u8], at: usize) -> Option<u64> {
    let four = bytes.get(at..at.checked_add(4)?)?;
    Some(u64::from(u32::from_be_bytes(four.try_into().ok()?)))
}

fn le16(bytes: &[u8], at: usize) -> Option<u64> {
    let two = bytes.get(at..at.checked_add(2)?)?;
    Some(u64::from(u16::from_le_bytes(two.try_into().ok()?)))
}

fn le32(bytes: &[u8], at: usize) -> Option<u64> {
    let four = bytes.get(at..at.checked_add(4)?)?;
    Some(u64::from(u32::from_le_bytes(four.try_into().ok()?)))
}

fn le64(bytes: &[u8], at: usize) -> Option<u64> {
    let eight = bytes.get(at..at.checked_add(8)?)?;
    Some(u64::from_le_bytes(eight.try_into().ok()?))
}

fn cut_off(should: u64, is: u64) -> String {
    format!("it is cut off: by its own account it reaches to byte {should}, and it ends at {is}")
}

/// Why a file of that form cannot be whole; `None` = nothing speaks against it.
pub fn doubt(form: Form, look: &mut Look<'_>) -> Doubt {
    match form {
        Form::Jpeg => jpeg(look),
        Form::Png => png(look),
        Form::Tiff => tiff(look),
        Form::Webp | Form::Avi | Form::Wave => riff(look),
        Form::Boxes => boxes(look),
        Form::Pdf => pdf(look),
        Form::Zip => zip(look),
        Form::Gzip => packed::gzip(look),
        Form::SevenZip => seven_zip(look),
        Form::Xz => xz(look),
        Form::Sqlite => sqlite(look),
        Form::MailStore => mail_store(look),
        _ => Ok(None),
    }
}

/// ITU-T T.81, B.1 and B.2: segments up to the first scan, then an end mark after it. In a scan FF is always
/// followed by 00 or a restart mark, so FF D9 behind its start is the end mark.
fn jpeg(look: &mut Look<'_>) -> Doubt {
    let mut at = 2u64;
    for _ in 0..STEPS {
        let part = look.at(at, 4)?;
        let (Some(ff), Some(mark)) = (part.first(), part.get(1)) else {
            return Ok(Some("it ends within its header, before any picture".into()));
        };
        if *ff != 0xff {
            return Ok(Some(format!("its header is broken at byte {at}")));
        }
        match mark {
            0xff => at = at.saturating_add(1),
            0xd9 => return Ok(Some("it has no picture in it".into())),
            0xda => {
                let from = at.saturating_add(2);
                let end = look.bytes();
                let last = end.saturating_sub(TAIL).max(from);
                if look.find(last, end, &[0xff, 0xd9])?.is_some()
                    || look
                        .find(from, last.saturating_add(1), &[0xff, 0xd9])?
                        .is_some()
                {
                    return Ok(None);
                }
                return Ok(Some(
                    "it ends in the middle of the picture: the end mark is missing".into(),
                ));
            }
            0x01 | 0xd0..=0xd8 => at = at.saturating_add(2),
            _ => {
                let length = part.get(2..4).map_or(0, |two| {
                    two.iter()
                        .fold(0u64, |sum, byte| sum << 8 | u64::from(*byte))
                });
                if length < 2 {
                    return Ok(Some(format!("its header is broken at byte {at}")));
                }
                at = at.saturating_add(2 + length);
            }
        }
    }
    Ok(None)
}

/// ISO/IEC 15948, 5.3 and 5.5: chunks with a checksum each, the last one IEND.
fn png(look: &mut Look<'_>) -> Doubt {
    let mut at = 8u64;
    for _ in 0..STEPS {
        let head = look.at(at, 8)?;
        let (Some(length), Some(kind)) = (be32(&head, 0), head.get(4..8)) else {
            return Ok(Some(
                "it ends in the middle: its end part is missing".into(),
            ));
        };
        let kind = kind.to_vec();
        let shown = String::from_utf8_lossy(&kind).into_owned();
        if !kind.iter().all(u8::is_ascii_alphabetic) {
            return Ok(Some(format!(
                "it is broken at byte {at}: no part begins there"
            )));
        }
        let end = at.saturating_add(12).saturating_add(length);
        if end > look.bytes() {
            return Ok(Some(cut_off(end, look.bytes())));
        }
        let found = look.crc32(at.saturating_add(4), length.saturating_add(4))?;
        let kept = be32(&look.at(end.saturating_sub(4), 4)?, 0);
        if kept != Some(u64::from(found)) {
            return Ok(Some(format!(
                "the checksum of its part {shown} at byte {at} does not fit"
            )));
        }
        if kind == b"IEND" {
            return Ok(None);
        }
        at = end;
    }
    Ok(None)
}

/// TIFF 6.0, section 2: the first list of fields lies within the file.
fn tiff(look: &mut Look<'_>) -> Doubt {
    let head = look.at(0, 16)?;
    let is_little = head.first() == Some(&b'I');
    let is_big = matches!(head.get(2..4), Some(b"+\0" | b"\0+"));
    let first = match (is_little, is_big) {
        (true, false) => le32(&head, 4),
        (false, false) => be32(&head, 4),
        (true, true) => le64(&head, 8),
        (false, true) => le64(&head, 8).map(u64::swap_bytes),
    };
    match first {
        None => Ok(Some("it ends within its header".into())),
        Some(first) if first.saturating_add(2) > look.bytes() => {
            Ok(Some(cut_off(first.saturating_add(2), look.bytes())))
        }
        Some(_) => Ok(None),
    }
}

/// RIFF: its own length stands in its head. Zero and all ones come from programs that could not go back to fill it in.
fn riff(look: &mut Look<'_>) -> Doubt {
    let head = look.at(0, 8)?;
    if !head.starts_with(b"RIFF") {
        return Ok(None);
    }
    let length = le32(&head, 4).unwrap_or(0);
    // One byte of padding may be missing at the end.
    let end = length.saturating_add(8);
    if length != 0 && length < 0x7fff_0000 && end > look.bytes().saturating_add(1) {
        return Ok(Some(cut_off(end, look.bytes())));
    }
    Ok(None)
}

/// ISO/IEC 14496-12, 4.2 and 8: boxes one after the other; a film needs `moov`, a picture `meta`.
fn boxes(look: &mut Look<'_>) -> Doubt {
    let (mut at, mut has_index) = (0u64, false);
    for _ in 0..STEPS {
        if at.saturating_add(8) > look.bytes() {
            break;
        }
        let head = look.at(at, 16)?;
        let Some(kind) = head.get(4..8) else { break };
        if !kind
            .iter()
            .all(|byte| byte.is_ascii_graphic() || *byte == b' ' || *byte == 0xa9)
        {
            // Something stands behind the last box that is none.
            break;
        }
        has_index |= matches!(kind, b"moov" | b"meta" | b"moof");
        let length = match be32(&head, 0) {
            Some(0) => look.bytes().saturating_sub(at),
            Some(1) => head.get(8..16).map_or(0, |eight| {
                eight
                    .iter()
                    .fold(0u64, |sum, byte| sum << 8 | u64::from(*byte))
            }),
            other => other.unwrap_or(0),
        };
        if length < 8 {
            break;
        }
        let end = at.saturating_add(length);
        if end > look.bytes() {
            return Ok(Some(cut_off(end, look.bytes())));
        }
        at = end;
    }
    if has_index {
        Ok(None)
    } else {
        Ok(Some(
            "its index is missing: the recording was cut off or the file written in part".into(),
        ))
    }
}

/// ISO 32000-1, 7.5.5: the last line is %%EOF; readers look for it near the end (annex H.3.4.4: 1024 bytes).
fn pdf(look: &mut Look<'_>) -> Doubt {
    let end = look.bytes();
    match look.find(end.saturating_sub(TAIL), end, b"%%EOF")? {
        Some(_) => Ok(None),
        None => Ok(Some(
            "its end mark is missing: it ends in the middle".into(),
        )),
    }
}

/// APPNOTE.TXT, 4.3.6 to 4.3.16: the list of contents at the end, and each entry where it says.
fn zip(look: &mut Look<'_>) -> Doubt {
    let bytes = look.bytes();
    if bytes > 0xffff_ffff {
        // Writers in use keep the lower halves of larger numbers there, without the marks of ZIP64.
        return Ok(None);
    }
    let from = bytes.saturating_sub(65_557);
    let tail = look.at(from, 65_557)?;
    let end = (0..tail.len().saturating_sub(21)).rev().find(|at| {
        tail.get(*at..at + 4) == Some(b"PK\x05\x06")
            && le16(&tail, at + 20).is_some_and(|comment| at + 22 + comment as usize <= tail.len())
    });
    let Some(end) = end else {
        return Ok(Some(
            "its list of contents is missing: it ends in the middle".into(),
        ));
    };
    let (Some(entries), Some(length), Some(start)) = (
        le16(&tail, end + 10),
        le32(&tail, end + 12),
        le32(&tail, end + 16),
    ) else {
        return Ok(None);
    };
    if entries == 0xffff || length == 0xffff_ffff || start == 0xffff_ffff {
        // The larger numbers of ZIP64 stand elsewhere; that the end is there is enough.
        return Ok(None);
    }
    let at_end = from.saturating_add(end as u64);
    let Some(list) = at_end.checked_sub(length) else {
        return Ok(Some(cut_off(length, at_end)));
    };
    // What stands before the package (a program that unpacks it) moves all places by as much.
    let Some(before) = list.checked_sub(start) else {
        return Ok(Some(format!(
            "a piece is missing in the middle: its list of contents should stand at byte {start}, and stands at {list}"
        )));
    };
    let mut at = list;
    let mut budget = Budget::of(bytes);
    for _ in 0..entries.min(ENTRIES as u64) {
        let head = look.at(at, 46)?;
        if !head.starts_with(b"PK\x01\x02") {
            return Ok(Some(format!("its list of contents is broken at byte {at}")));
        }
        let number = |place| le16(&head, place).unwrap_or(0);
        let long = |place| le32(&head, place).unwrap_or(0);
        let (flags, method, crc) = (number(8), number(10), long(16));
        let (packed, whole) = (long(20), long(24));
        let (name, extra, comment, place) = (number(28), number(30), number(32), long(42));
        let shown = look.at(at.saturating_add(46), name as usize)?;
        let shown = String::from_utf8_lossy(&shown).into_owned();
        at = at.saturating_add(46 + name + extra + comment);
        if packed == 0xffff_ffff || whole == 0xffff_ffff || place == 0xffff_ffff {
            continue;
        }
        let entry = before.saturating_add(place);
        let local = look.at(entry, 30)?;
        if !local.starts_with(b"PK\x03\x04") {
            return Ok(Some(format!(
                "its entry '{shown}' is not where the list says"
            )));
        }
        let data = entry
            .saturating_add(30)
            .saturating_add(le16(&local, 26).unwrap_or(0))
            .saturating_add(le16(&local, 28).unwrap_or(0));
        if data.saturating_add(packed) > list {
            return Ok(Some(format!("its entry '{shown}' is cut off")));
        }
        // Bits 0, 6 and 13: encrypted, in one way or another; the checksum is then of no use here.
        if flags & 0x2041 != 0 {
            continue;
        }
        let found = match method {
            0 if budget.reads(packed) => Unpacked::Whole(look.crc32(data, packed)?, packed),
            8 => packed::deflated(look, data, packed, &mut budget)?,
            _ => continue,
        };
        let what = match found {
            Unpacked::NotLooked => return Ok(None),
            // Some writers keep only the lower half of a length beyond 4 GiB.
            Unpacked::Whole(_, length) if length & 0xffff_ffff != whole => "the length",
            Unpacked::Whole(found, _) if u64::from(found) == crc => continue,
            Unpacked::Whole(..) | Unpacked::Differs => "the checksum",
            Unpacked::Broken => {
                return Ok(Some(format!(
                    "its entry '{shown}' cannot be unpacked: it is spoilt"
                )));
            }
        };
        return Ok(Some(format!("{what} of its entry '{shown}' does not fit")));
    }
    Ok(None)
}

/// 7zFormat.txt: the start header says where the end header lies, and has a checksum of its own.
fn seven_zip(look: &mut Look<'_>) -> Doubt {
    let head = look.at(0, 32)?;
    let (Some(kept), Some(place), Some(length)) =
        (le32(&head, 8), le64(&head, 12), le64(&head, 20))
    else {
        return Ok(Some("it ends within its header".into()));
    };
    if u64::from(look.crc32(12, 20)?) != kept {
        return Ok(Some("the checksum of its header does not fit".into()));
    }
    let end = place.saturating_add(length).saturating_add(32);
    if end > look.bytes() {
        return Ok(Some(cut_off(end, look.bytes())));
    }
    Ok(None)
}

/// The .xz file format, 2.1.2.4 and 2.2: ends with "YZ", then zeros in fours at most.
fn xz(look: &mut Look<'_>) -> Doubt {
    let zeros = look.trailing_zeros()?;
    let end = look.bytes().saturating_sub(zeros);
    if look.at(end.saturating_sub(2), 2)? == b"YZ" {
        Ok(None)
    } else {
        Ok(Some(
            "its end mark is missing: it ends in the middle".into(),
        ))
    }
}

/// sqlite.org/fileformat2.html, 1.3: pages times page size, valid when the two counters agree.
fn sqlite(look: &mut Look<'_>) -> Doubt {
    let head = look.at(0, 100)?;
    let (Some(pages), Some(changed), Some(valid)) =
        (be32(&head, 28), be32(&head, 24), be32(&head, 92))
    else {
        return Ok(Some("it ends within its header".into()));
    };
    let page = match head.get(16..18) {
        Some([0, 1]) => 65_536,
        Some([high, low]) => u64::from(*high) << 8 | u64::from(*low),
        _ => 0,
    };
    let end = pages.saturating_mul(page);
    if pages > 0 && changed == valid && end > look.bytes() {
        return Ok(Some(cut_off(end, look.bytes())));
    }
    Ok(None)
}

/// [MS-PST] 2.2.2.5 and 2.2.2.6: the file's own length stands in its root, by its version at another place.
fn mail_store(look: &mut Look<'_>) -> Doubt {
    let head = look.at(0, 192)?;
    let end = match le16(&head, 10) {
        Some(14 | 15) => le32(&head, 168),
        Some(23..) => le64(&head, 184),
        _ => Some(0),
    };
    match end {
        None => Ok(Some("it ends within its header".into())),
        Some(end) if end > look.bytes() => Ok(Some(cut_off(end, look.bytes()))),
        Some(_) => Ok(None),
    }
}
