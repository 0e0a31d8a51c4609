//! Containers: what holds other volumes, often spread over several drives.

use super::{Hit, What, Window};
use crate::volume::bytes::{array, be32, is, label_text, le16, le32, uuid_text};

const MD: u32 = 0xA92B_4EFC;
/// Bytes of an md superblock at most.
const MD_BYTES: usize = 4096;

/// What these first bytes show.
pub(super) fn head(head: &[u8]) -> Option<What> {
    lvm(head)
        .or_else(|| md1(head, 0))
        .or_else(|| md1(head.get(4096..4608).unwrap_or_default(), 4096))
        .or_else(|| spaces(head))
        .or_else(|| core_storage(head))
        .map(|hit| hit.what)
}

pub(super) fn probe(window: &Window<'_>, hits: &mut Vec<Hit>) {
    let get = |at, bytes| window.get(at, bytes).unwrap_or_default();
    hits.extend(lvm(&get(0, 2048)));
    hits.extend(spaces(&get(0, 512)));
    hits.extend(core_storage(&get(0, 512)));
    if is(&get(512, 4), 0, b"PM\0\0") && is(&get(0, 2), 0, b"ER") {
        hits.push(Hit::new(What::ApplePartitionMap, 512));
    }
    // md: 1.1 and 1.2 at the start, 1.0 and 0.90 near the end.
    let mut places = vec![0, 4096];
    places.extend((window.bytes() & !0xFFF).checked_sub(0x2000));
    for at in places {
        let whole = get(at, MD_BYTES);
        let sb = if whole.is_empty() {
            get(at, 512)
        } else {
            whole
        };
        hits.extend(md1(&sb, at));
    }
    if let Some(at) = (window.bytes() & !0xFFFF).checked_sub(0x1_0000) {
        let whole = get(at, MD_BYTES);
        let sb = if whole.is_empty() {
            get(at, 512)
        } else {
            whole
        };
        hits.extend(md090(&sb, at));
    }
    hits.extend(ldm(window));
}

/// "LABELONE" in one of sectors 0 to 3, with the type 24 bytes in.
fn lvm(head: &[u8]) -> Option<Hit> {
    for (sector, at) in head.chunks_exact(512).take(4).zip((0u64..).step_by(512)) {
        if is(sector, 0, b"LABELONE") && is(sector, 24, b"LVM2 001") {
            let mut hit = Hit::new(What::Lvm, at);
            let header = le32(sector, 20) as usize;
            hit.id = header
                .checked_add(32)
                .and_then(|end| sector.get(header..end))
                .and_then(label_text);
            return Some(hit);
        }
    }
    None
}

/// The sum that both versions keep (Linux `drivers/md/md.c`): 32-bit words added up, the carry folded in once.
fn md_sum(words: impl Iterator<Item = u32>) -> u32 {
    let sum = words.fold(0u64, |sum, word| sum.wrapping_add(u64::from(word)));
    (sum & 0xFFFF_FFFF).wrapping_add(sum >> 32) as u32
}

/// Version 1 superblock; level and members from memory of its layout.
fn md1(sb: &[u8], at: u64) -> Option<Hit> {
    if sb.len() < 256 || le32(sb, 0) != MD || le32(sb, 4) != 1 {
        return None;
    }
    let mut hit = Hit::new(What::Md, at);
    hit.id = array(sb, 16).map(uuid_text);
    hit.label = label_text(sb.get(32..64)?);
    hit.note = Some(set_in_words(le32(sb, 72), le32(sb, 92)));
    // 256 bytes and a 16-bit role for each of at most 1920 members; the sum itself (at 216) counts as zero.
    let roles = le32(sb, 220) as usize;
    let length = roles.saturating_mul(2).saturating_add(256);
    let summed = sb.get(..length).map(|whole| {
        let words = (0..length / 4)
            .map(|word| word * 4)
            .filter(|at| *at != 216)
            .map(|at| le32(whole, at));
        let half = (!length.is_multiple_of(4)).then(|| u32::from(le16(whole, length - 2)));
        md_sum(words.chain(half))
    });
    if summed != Some(le32(sb, 216)) {
        hit.damaged = Some("its check sum does not hold".to_owned());
    }
    Some(hit)
}

/// Version 0.90 superblock, in the byte order of the machine that made it.
fn md090(sb: &[u8], at: u64) -> Option<Hit> {
    if sb.len() < 256 {
        return None;
    }
    let little = le32(sb, 0) == MD && le32(sb, 4) == 0;
    let big = be32(sb, 0) == MD && be32(sb, 4) == 0;
    if !little && !big {
        return None;
    }
    let word = |at| if little { le32(sb, at) } else { be32(sb, at) };
    let mut hit = Hit::new(What::Md, at);
    hit.note = Some(set_in_words(word(28), word(40)));
    // Linux `include/uapi/linux/raid/md_p.h`: minor version 90 or more, at most 27 members, the sum in word 38 over 1024 words.
    let members = word(40);
    let sum = md_sum(
        (0..MD_BYTES / 4)
            .filter(|place| *place != 38)
            .map(|place| word(place * 4)),
    );
    let plausible = word(8) >= 90 && (1..=27).contains(&members) && word(36) <= 27;
    if sb.len() < MD_BYTES || !plausible || sum != word(38 * 4) {
        hit.damaged = Some("its fields or its check sum do not hold".to_owned());
    }
    Some(hit)
}

/// The note that a mirror bears; [`super::judge`] relies on it.
pub(super) const MIRROR: &str = "mirror";

fn set_in_words(level: u32, members: u32) -> String {
    match level {
        1 => format!("{MIRROR} of {members} members"),
        level => format!("set of {members} members, level {}", level.cast_signed()),
    }
}

fn spaces(head: &[u8]) -> Option<Hit> {
    is(head, 0, b"SPACEDB ").then(|| Hit::new(What::StorageSpaces, 0))
}

/// Two letters at 88; the version before them has to be 1 (from memory).
fn core_storage(head: &[u8]) -> Option<Hit> {
    (is(head, 88, b"CS") && le16(head, 8) == 1).then(|| Hit::new(What::CoreStorage, 88))
}

/// The database of a dynamic disk, in the last MiB (or at sector 6 on an MBR disk; from memory).
/// Two of its three parts are wanted, because one word at a sector start may be a file's content.
fn ldm(window: &Window<'_>) -> Option<Hit> {
    if window
        .get(6 * 512, 8)
        .is_some_and(|head| head == b"PRIVHEAD")
    {
        return Some(Hit::new(What::Ldm, 6 * 512));
    }
    if !window.tail_read {
        return None;
    }
    let start = window.bytes() - window.tail.len() as u64;
    let skip = (start.next_multiple_of(512) - start) as usize;
    let find = |word: &[u8]| {
        window
            .tail
            .get(skip..)
            .unwrap_or_default()
            .chunks_exact(512)
            .position(|sector| is(sector, 0, word))
    };
    let head = find(b"PRIVHEAD")?;
    (find(b"TOCBLOCK").is_some() || find(b"VMDB").is_some())
        .then(|| Hit::new(What::Ldm, start + skip as u64 + head as u64 * 512))
}
