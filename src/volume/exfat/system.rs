//! What an exFAT volume keeps about itself: boot regions, allocation table, bitmap, up-case table.

use super::{Boot, Reader};
use crate::volume::bytes::Part;
use crate::volume::chain::{Bits, EntryForm, Table};
use crate::volume::filesystem::{Findings, Limits, Weight};

/// An up-case table holds 65,536 units at most.
const UP_CASE_BYTES: u64 = 128 << 10;

/// Compares the boot region with its own sum and its backup.
pub(super) fn check_boot(part: &Part<'_>, boot: &Boot, boot_at: u64, findings: &mut Findings) {
    if boot.bytes() > part.bytes() {
        findings.note(
            "volume-longer-than-partition",
            Weight::OpenPoint,
            None,
            || {
                format!(
                    "the volume says {} bytes, its place has {}",
                    boot.bytes(),
                    part.bytes()
                )
            },
        );
    }
    match boot.region_holds(part, boot_at) {
        Ok(true) => {}
        Ok(false) => findings.note("boot-region-sum", Weight::OpenPoint, None, || {
            "the check sum of the boot region does not hold; where things lie may be wrong"
                .to_owned()
        }),
        Err(fault) => findings.note("boot-region-unread", Weight::OpenPoint, None, || {
            format!("the boot region could not be read whole: {fault}")
        }),
    }
    let backup = 12 * boot.sector_bytes;
    if boot_at != 0 {
        findings.note("boot-sector-from-backup", Weight::OpenPoint, None, || {
            "the first boot region does not hold; the backup was used".to_owned()
        });
        return;
    }
    let other = part
        .read_vec(backup, 512)
        .map_err(|fault| fault.to_string())
        .and_then(|raw| Boot::parse(&raw));
    match other {
        Ok(other) => {
            // Flags are not kept up to date in the backup.
            if (Boot {
                flags: boot.flags,
                ..other
            }) != *boot
            {
                findings.note("boot-sectors-differ", Weight::OpenPoint, None, || {
                    "the boot region and its backup describe different volumes; the first one was used".to_owned()
                });
            }
        }
        Err(why) => findings.note("boot-backup-damaged", Weight::Sentence, None, || {
            format!("the backup of the boot region does not hold: {why}")
        }),
    }
}

/// Reads the allocation table; what cannot be read is in doubt. `Err` = too large for the limits.
pub(super) fn read_table(
    part: &Part<'_>,
    boot: &Boot,
    limits: Limits,
    findings: &mut Findings,
) -> Result<Table, String> {
    let form = EntryForm::Bits32;
    let entries = u64::from(boot.clusters) + 2;
    let wanted = form.table_bytes(entries);
    if wanted > limits.table_bytes {
        return Err(format!(
            "its allocation table has {wanted} bytes, the limit is {}",
            limits.table_bytes
        ));
    }
    // A geometry that reaches beyond the drive must not ask for its memory.
    let room = part.bytes().saturating_sub(boot.table_at());
    let bytes = usize::try_from(wanted.min(room)).map_err(|e| e.to_string())?;
    let mut raw = vec![0u8; bytes];
    let mut doubtful = Bits::new(entries);
    let step = 1usize << 20;
    for (piece, at) in raw.chunks_mut(step).zip((0u64..).step_by(step)) {
        if part.read(boot.table_at() + at, piece).is_ok() {
            continue;
        }
        let sector = boot.sector_bytes as usize;
        for (sector, from) in piece.chunks_mut(sector).zip((at..).step_by(sector)) {
            if let Err(fault) = part.read(boot.table_at() + from, sector) {
                sector.fill(0);
                for entry in from / 4..(from + sector.len() as u64) / 4 {
                    doubtful.set(entry);
                }
                findings.note("table-unread", Weight::OpenPoint, None, || {
                    format!("part of the allocation table could not be read: {fault}")
                });
            }
        }
    }
    let mut table = Table::new(raw, form, boot.clusters);
    table.doubtful = doubtful;
    Ok(table)
}

impl Reader<'_> {
    /// The volume's own book of what is in use.
    pub(super) fn take_bitmap(&mut self, table: u8, cluster: u32, bytes: u64) {
        let needed = u64::from(self.boot.clusters).div_ceil(8);
        let limit = needed.div_ceil(self.space.cluster_bytes);
        let chain = self.space.follow(&self.table, cluster, limit);
        self.space.claim(&chain);
        if u16::from(table) != self.boot.flags & 1 && self.boot.tables == 2 {
            return;
        }
        let mut raw = Vec::new();
        for (first, count) in &chain.runs {
            for cluster in (*first..).take(*count as usize) {
                let at = self.space.at(cluster).saturating_sub(self.part.absolute(0));
                let length = self
                    .space
                    .cluster_bytes
                    .min(needed.saturating_sub(raw.len() as u64));
                match self.part.read_vec(at, length as usize) {
                    Ok(piece) => raw.extend(piece),
                    Err(fault) => {
                        self.findings
                            .note("bitmap-unread", Weight::OpenPoint, None, || {
                                format!("the allocation bitmap could not be read: {fault}")
                            });
                        return;
                    }
                }
            }
        }
        if (raw.len() as u64) < needed || bytes < needed || self.bitmap.is_some() {
            self.findings
                .note("bitmap-damaged", Weight::OpenPoint, None, || {
                    format!(
                        "the allocation bitmap should have {needed} bytes, {} were found",
                        raw.len()
                    )
                });
            return;
        }
        // Bit 0 stands for cluster 2.
        let by_bit = Bits::from_bytes(&raw, u64::from(self.boot.clusters));
        let mut by_cluster = Bits::new(u64::from(self.boot.clusters) + 2);
        for bit in 0..u64::from(self.boot.clusters) {
            if by_bit.has(bit) {
                by_cluster.set(bit + 2);
            }
        }
        self.bitmap = Some(by_cluster);
    }

    /// The table of upper-case letters; only its sum is checked.
    pub(super) fn take_up_case(&mut self, sum: u32, cluster: u32, bytes: u64) {
        let limit = bytes.min(UP_CASE_BYTES).div_ceil(self.space.cluster_bytes);
        let chain = self.space.follow(&self.table, cluster, limit);
        self.space.claim(&chain);
        let mut found = 0u32;
        let mut left = bytes;
        let mut whole = bytes <= UP_CASE_BYTES;
        for (first, count) in &chain.runs {
            for cluster in (*first..).take(*count as usize) {
                let at = self.space.at(cluster).saturating_sub(self.part.absolute(0));
                let length = self.space.cluster_bytes.min(left);
                left -= length;
                match self.part.read_vec(at, length as usize) {
                    Ok(piece) => {
                        found = piece.iter().fold(found, |sum, byte| {
                            sum.rotate_right(1).wrapping_add(u32::from(*byte))
                        });
                    }
                    Err(_) => whole = false,
                }
            }
        }
        if !whole || left > 0 || found != sum {
            // Names are compared by it, content is not touched.
            self.findings
                .note("up-case-table-damaged", Weight::Sentence, None, || {
                    "the table of upper-case letters does not hold; names are taken as written"
                        .to_owned()
                });
        }
    }
}
