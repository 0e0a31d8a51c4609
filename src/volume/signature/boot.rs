//! Formats that are told by a boot sector: NTFS, FAT, exFAT, ReFS. Where sector 0 is blank or torn, the
//! format's own backup is looked at: such a volume is damaged, not empty.

use super::{Hit, What, Window};
use crate::volume::bytes::{is, le16, le64, u8_at};
use crate::volume::{exfat, fat};

/// What these first bytes show.
pub(super) fn head(head: &[u8]) -> Option<What> {
    let sector = head.get(..512)?;
    ntfs(sector, 0)
        .or_else(|| exfat_hit(sector, 0))
        .or_else(|| refs(sector))
        .or_else(|| fat_hit(sector, 0))
        .map(|hit| hit.what)
}

pub(super) fn probe(window: &Window<'_>, hits: &mut Vec<Hit>) {
    if let Some(first) = window.get(0, 512) {
        hits.extend(ntfs(&first, 0));
        hits.extend(exfat_hit(&first, 0));
        hits.extend(refs(&first));
        // A lock imitates a FAT boot sector; its own probe ran before.
        if !hits
            .iter()
            .any(|hit| hit.what.role() == super::what::Role::Locked)
        {
            hits.extend(fat_hit(&first, 0));
        }
    }
    backups(window, hits);
}

/// An NTFS boot sector (signature, and a geometry that can be true). Linux `fs/ntfs3/ntfs.h`.
pub(super) fn ntfs(sector: &[u8], at: u64) -> Option<Hit> {
    if !is(sector, 3, b"NTFS    ") || !is(sector, 510, &[0x55, 0xAA]) {
        return None;
    }
    let sector_bytes = le16(sector, 11);
    let mut hit = Hit::new(What::Ntfs, at);
    hit.id = Some(format!("{:016X}", le64(sector, 0x48)));
    if sector_bytes.is_power_of_two() && (256..=4096).contains(&sector_bytes) {
        // The volume's own count is one less than it occupies: the last sector holds the backup.
        hit.bytes = le64(sector, 0x28)
            .checked_add(1)
            .and_then(|sectors| sectors.checked_mul(u64::from(sector_bytes)));
    } else {
        hit.damaged = Some(format!(
            "the boot sector says {sector_bytes} bytes per sector"
        ));
    }
    Some(hit)
}

fn exfat_hit(sector: &[u8], at: u64) -> Option<Hit> {
    if !is(sector, 3, b"EXFAT   ") {
        return None;
    }
    let mut hit = Hit::new(What::ExFat, at);
    match exfat::Boot::parse(sector) {
        Ok(boot) => {
            hit.bytes = Some(boot.bytes());
            hit.id = Some(boot.serial_text());
        }
        Err(why) => hit.damaged = Some(why),
    }
    Some(hit)
}

fn refs(sector: &[u8]) -> Option<Hit> {
    is(sector, 0, &[0, 0, 0, b'R', b'e', b'F', b'S', 0]).then(|| Hit::new(What::Refs, 0))
}

fn fat_hit(sector: &[u8], at: u64) -> Option<Hit> {
    let boot = fat::Boot::parse(sector).ok()?;
    if u8_at(sector, 3) == b'-' && is(sector, 3, b"-FVE-FS-") {
        return None;
    }
    let mut hit = Hit::new(
        match boot.width {
            fat::Width::Fat12 => What::Fat12,
            fat::Width::Fat16 => What::Fat16,
            fat::Width::Fat32 => What::Fat32,
        },
        at,
    );
    hit.bytes = Some(boot.bytes());
    hit.id = boot.serial_text();
    hit.label = boot.label.clone();
    Some(hit)
}

/// A FAT32 or exFAT volume whose first sector shows no format, by the copy of it that stands six or twelve sectors on.
pub(super) fn copy_near(head: &[u8]) -> Option<Hit> {
    [512, 4096].into_iter().find_map(|unit| {
        let sector = |number: usize| head.get(number * unit..number * unit + 512);
        let fat = sector(6).and_then(|sector| fat_hit(sector, 0));
        let exfat = sector(12).and_then(|sector| exfat_hit(sector, 0));
        fat.filter(|hit| hit.what == What::Fat32)
            .or(exfat.filter(|hit| hit.damaged.is_none()))
    })
}

/// Backups of boot sectors where the first one does not show the format: NTFS in the last sector,
/// FAT32 in sector 6, exFAT in sector 12.
fn backups(window: &Window<'_>, hits: &mut Vec<Hit>) {
    let have = |hits: &[Hit], what: What| hits.iter().any(|hit| hit.what == what);
    for unit in [512u64, 4096] {
        if !have(hits, What::Ntfs)
            && let Some(at) = window.bytes().checked_sub(unit)
            && let Some(sector) = window.get(at, 512)
            && let Some(mut hit) = ntfs(&sector, at)
        {
            hit.damaged =
                Some("its first sector is gone; the backup in the last sector is there".to_owned());
            hits.push(hit);
        }
        if !hits.iter().any(|hit| {
            matches!(
                hit.what,
                What::Fat12 | What::Fat16 | What::Fat32 | What::BitLockerToGo
            )
        }) && let Some(sector) = window.get(6 * unit, 512)
            && let Some(mut hit) = fat_hit(&sector, 6 * unit)
            && hit.what == What::Fat32
        {
            hit.damaged =
                Some("its first sector is gone; the backup in sector 6 is there".to_owned());
            hits.push(hit);
        }
        if !have(hits, What::ExFat)
            && let Some(sector) = window.get(12 * unit, 512)
            && let Some(mut hit) = exfat_hit(&sector, 12 * unit)
            && hit.damaged.is_none()
        {
            hit.damaged =
                Some("its first sector is gone; the backup in sector 12 is there".to_owned());
            hits.push(hit);
        }
    }
}
