//! Formats that are told by a superblock: ext2/3/4, XFS, Btrfs, F2FS, HFS and HFS+, APFS, swap, ISO 9660, UDF, SquashFS, ZFS.
//! Offsets as in util-linux's list of superblocks.

use super::{Hit, What, Window};
use crate::volume::bytes::{
    array, be16, be32, be64, is, label_text, le16, le32, le64, u8_at, uuid_text,
};
use crate::volume::ext::superblock;

/// What these first bytes show.
pub(super) fn head(head: &[u8]) -> Option<What> {
    let raw = head.get(1024..2048).unwrap_or_default();
    // A copy names the group that it stands in: no volume begins before it.
    ext(raw)
        .filter(|_| le16(raw, superblock::OWN_GROUP_AT) == 0)
        .or_else(|| xfs(head))
        .or_else(|| squashfs(head))
        .or_else(|| apfs(head))
        .or_else(|| f2fs(head.get(1024..2048).unwrap_or_default(), 1024))
        .or_else(|| hfs(head.get(1024..1536).unwrap_or_default()))
        .or_else(|| btrfs(head.get(65_536..66_560).unwrap_or_default()))
        .or_else(|| iso(head.get(32_768..34_816).unwrap_or_default()))
        .or_else(|| swap(head, 4096))
        .map(|hit| hit.what)
}

pub(super) fn probe(window: &Window<'_>, hits: &mut Vec<Hit>) {
    let get = |at, bytes| window.get(at, bytes).unwrap_or_default();
    hits.extend(ext(&get(1024, 1024)));
    hits.extend(xfs(&get(0, 512)));
    hits.extend(squashfs(&get(0, 512)));
    hits.extend(apfs(&get(0, 512)));
    let first_f2fs = f2fs(&get(1024, 1024), 1024);
    if let Some(hit) = first_f2fs {
        hits.push(hit);
    } else if let Some(mut hit) = f2fs(&get(5120, 1024), 5120) {
        hit.damaged = Some("its first superblock is gone; the copy is there".to_owned());
        hits.push(hit);
    }
    hits.extend(hfs(&get(1024, 512)));
    if let Some(hit) = btrfs(&get(65_536, 1024)) {
        hits.push(hit);
    } else if let Some(mut hit) = btrfs(&get(64 << 20, 1024)) {
        hit.at = 64 << 20;
        hit.damaged =
            Some("its first superblock is gone; the mirror at 64 MiB is there".to_owned());
        hits.push(hit);
    }
    hits.extend(iso(&get(32_768, 2048)));
    if (0..15).any(|record| is(&get(32_768 + record * 2048, 8), 1, b"BEA01"))
        && (1..16).any(|record| {
            let volume = get(32_768 + record * 2048, 8);
            is(&volume, 1, b"NSR02") || is(&volume, 1, b"NSR03")
        })
    {
        hits.push(Hit::new(What::Udf, 32_768));
    }
    for page in [4096usize, 8192, 16_384, 65_536] {
        if let Some(hit) = swap(&get(0, page), page) {
            hits.push(hit);
            break;
        }
    }
    hits.extend(zfs(window));
}

fn ext(sb: &[u8]) -> Option<Hit> {
    if sb.len() < 1024 || le16(sb, 56) != 0xEF53 {
        return None;
    }
    let (compat, incompat, ro) = (le32(sb, 92), le32(sb, 96), le32(sb, 100));
    // Features of ext4 as mke2fs makes them: extents, 64 bit, flexible groups; huge files, check sums and the like.
    let what = if incompat & !0x16 != 0 || ro & !0x07 != 0 {
        What::Ext4
    } else if compat & 0x04 != 0 {
        What::Ext3
    } else {
        What::Ext2
    };
    let mut hit = Hit::new(what, 1024);
    let blocks = u64::from(le32(sb, 4))
        | if incompat & 0x80 != 0 {
            u64::from(le32(sb, 0x150)) << 32
        } else {
            0
        };
    let log = le32(sb, 24);
    if log > 6 {
        hit.damaged = Some(format!(
            "the superblock says blocks of 2^{} bytes",
            u64::from(log) + 10
        ));
    } else {
        hit.bytes = blocks.checked_mul(1024 << log);
    }
    hit.id = array(sb, 104).map(uuid_text);
    hit.label = label_text(sb.get(120..136)?);
    if incompat & 0x08 != 0 {
        hit.note = Some("holds only the journal of another volume".to_owned());
    } else if incompat & 0x04 != 0 {
        hit.note = Some("was not closed properly; its journal holds changes".to_owned());
    }
    Some(hit)
}

/// A copy of an ext superblock in the second group. Asked for only where nothing else was found: a copy outlives the
/// volume that it belonged to.
pub(super) fn ext_copy(window: &Window<'_>) -> Option<Hit> {
    superblock::copies()
        .filter(|(_, group, _)| *group == 1)
        .find_map(|(at, group, block_bytes)| {
            let raw = window.get(at, superblock::BYTES)?;
            let mut hit = ext(&raw).filter(|_| superblock::is_copy(&raw, group, block_bytes))?;
            hit.at = at;
            hit.damaged = Some(format!(
                "its first superblock is gone; the copy at byte {at} is there"
            ));
            Some(hit)
        })
}

fn xfs(head: &[u8]) -> Option<Hit> {
    if !is(head, 0, b"XFSB") || head.len() < 256 {
        return None;
    }
    let mut hit = Hit::new(What::Xfs, 0);
    let block = be32(head, 4);
    if block.is_power_of_two() && (512..=65_536).contains(&block) {
        hit.bytes = be64(head, 8).checked_mul(u64::from(block));
    } else {
        hit.damaged = Some(format!("the superblock says blocks of {block} bytes"));
    }
    hit.id = array(head, 32).map(uuid_text);
    hit.label = label_text(head.get(108..120)?);
    Some(hit)
}

fn btrfs(sb: &[u8]) -> Option<Hit> {
    if !is(sb, 64, b"_BHRfS_M") || sb.len() < 1024 {
        return None;
    }
    let mut hit = Hit::new(What::Btrfs, 65_536);
    hit.id = array(sb, 32).map(uuid_text);
    hit.label = label_text(sb.get(299..555)?);
    hit.bytes = Some(le64(sb, 209)).filter(|bytes| *bytes > 0);
    let devices = le64(sb, 136);
    if devices != 1 {
        hit.note = Some(format!("spread over {devices} devices"));
    }
    Some(hit)
}

fn f2fs(sb: &[u8], at: u64) -> Option<Hit> {
    if sb.len() < 512 || le32(sb, 0) != 0xF2F5_2010 {
        return None;
    }
    let mut hit = Hit::new(What::F2fs, at);
    let log = le32(sb, 16);
    if (9..=16).contains(&log) {
        hit.bytes = le64(sb, 36).checked_mul(1 << log);
    }
    hit.id = array(sb, 108).map(uuid_text);
    Some(hit)
}

fn hfs(sb: &[u8]) -> Option<Hit> {
    if sb.len() < 512 {
        return None;
    }
    let plus = |sb: &[u8], at: usize| is(sb, at, b"H+") || is(sb, at, b"HX");
    if plus(sb, 0) && matches!(be16(sb, 2), 4 | 5) {
        let mut hit = Hit::new(What::HfsPlus, 1024);
        hit.bytes = u64::from(be32(sb, 40)).checked_mul(u64::from(be32(sb, 44)));
        return Some(hit);
    }
    if is(sb, 0, b"BD") {
        if plus(sb, 124) {
            let mut hit = Hit::new(What::HfsPlus, 1024);
            hit.note = Some("inside an HFS wrapper".to_owned());
            return Some(hit);
        }
        let block = be32(sb, 20);
        // Two letters are little; the block size of a real volume is a multiple of 512.
        if block > 0 && block.is_multiple_of(512) && be16(sb, 18) > 0 {
            return Some(Hit::new(What::Hfs, 1024));
        }
    }
    None
}

fn apfs(head: &[u8]) -> Option<Hit> {
    if !is(head, 32, b"NXSB") || head.len() < 88 {
        return None;
    }
    let mut hit = Hit::new(What::Apfs, 32);
    hit.bytes = le64(head, 40).checked_mul(u64::from(le32(head, 36)));
    hit.id = array(head, 72).map(uuid_text);
    Some(hit)
}

fn iso(record: &[u8]) -> Option<Hit> {
    if record.len() < 2048 || u8_at(record, 0) > 3 || !is(record, 1, b"CD001") {
        return None;
    }
    let mut hit = Hit::new(What::Iso9660, 32_768);
    hit.label = label_text(record.get(40..72)?);
    hit.bytes = Some(u64::from(le32(record, 80)) * 2048).filter(|bytes| *bytes > 0);
    Some(hit)
}

fn squashfs(head: &[u8]) -> Option<Hit> {
    if !is(head, 0, b"hsqs") || head.len() < 96 {
        return None;
    }
    let mut hit = Hit::new(What::Squashfs, 0);
    hit.bytes = Some(le64(head, 40));
    Some(hit)
}

/// The note that a swap area with a saved memory bears; [`super::judge`] relies on it.
pub(super) const SLEEPING: &str = "holds the memory of a machine that was put to sleep";

fn swap(head: &[u8], page: usize) -> Option<Hit> {
    let at = page.checked_sub(10)?;
    let saved = ["S1SUSPEND", "S2SUSPEND", "ULSUSPEND", "LINHIB0001"]
        .iter()
        .any(|word| is(head, at, word.as_bytes()));
    if !saved && !is(head, at, b"SWAPSPACE2") && !is(head, at, b"SWAP-SPACE") {
        return None;
    }
    let mut hit = Hit::new(What::Swap, at as u64);
    hit.bytes = u64::from(le32(head, 1028))
        .checked_add(1)
        .and_then(|pages| pages.checked_mul(page as u64));
    hit.id = array(head, 1036).map(uuid_text);
    hit.label = label_text(head.get(1052..1068)?);
    if saved {
        hit.note = Some(SLEEPING.to_owned());
    }
    // Version 1 and at least one page (Linux `include/linux/swap.h`); the older form has no such fields.
    if is(head, at, b"SWAPSPACE2") && (le32(head, 1024) != 1 || le32(head, 1028) == 0) {
        hit.damaged = Some("only its signature is there, its header makes no sense".to_owned());
        hit.bytes = None;
    }
    Some(hit)
}

/// Uberblocks in the four labels of 256 KiB, two at each end; one alone may be a remnant.
fn zfs(window: &Window<'_>) -> Option<Hit> {
    const LABEL: u64 = 256 << 10;
    let whole = window.bytes() / LABEL * LABEL;
    let mut found = 0;
    // A real device holds 64 MiB at least; 8 MiB leaves room for oddities.
    if whole < 8 << 20 {
        return None;
    }
    for label in [0, LABEL, whole - 2 * LABEL, whole - LABEL] {
        let Some(blocks) = window.get(label + (128 << 10), 128 << 10) else {
            continue;
        };
        found += blocks
            .chunks_exact(1024)
            .filter(|block| le64(block, 0) == 0x00BA_B10C || be64(block, 0) == 0x00BA_B10C)
            .count();
    }
    (found >= 2).then(|| Hit::new(What::Zfs, 128 << 10))
}
