//! Who the drive is, out of all pages: identity, what stores the bytes, and the remarks that a
//! technician should hear (areas that the host does not see, an adapter that answers for itself).
//!
//! Invariant: what the drive itself says comes before what an adapter or the kernel says;
//! sources that contradict each other leave the medium unknown.

use super::page::Then;
use super::pages::{Ata, Pages, Scsi};
use crate::drive::asking::Hint;
use crate::drive::identity::{Drive, Medium};
use crate::value::Known;
use crate::value::measure::bytes_in_words;

/// The identity.
pub fn drive(pages: &Pages, hint: &Hint) -> Drive {
    let mut d = Drive {
        model: Known::NotReported,
        serial: Known::NotReported,
        firmware: Known::NotReported,
        world_wide_name: Known::NotReported,
        bytes: Known::NotReported,
        sector_bytes: Known::NotReported,
        physical_sector_bytes: Known::NotReported,
        rotation_rpm: Known::NotReported,
        medium: medium(pages, hint),
    };
    fn fill<T>(own: &mut Known<T>, other: Known<T>) {
        *own = std::mem::replace(own, Known::NotReported).or(other);
    }
    if let Some(nvme) = &pages.nvme {
        fill(&mut d.model, nvme.controller.model.clone());
        fill(&mut d.serial, nvme.controller.serial.clone());
        fill(&mut d.firmware, nvme.controller.firmware.clone());
        let ids = nvme
            .namespace
            .nguid
            .clone()
            .or(nvme.namespace.eui64.clone());
        fill(&mut d.world_wide_name, ids);
        fill(&mut d.bytes, nvme.namespace.bytes());
        fill(&mut d.sector_bytes, nvme.namespace.lba_data_bytes.clone());
        if nvme.controller.model.value().is_some() {
            d.rotation_rpm = Known::Value(0);
        }
    }
    let cached = pages
        .scsi
        .as_ref()
        .and_then(|s| s.vpd.ata_information.as_ref());
    for identify in pages.ata.iter().map(|a| &a.identify).chain(cached) {
        fill(&mut d.model, identify.model.clone());
        fill(&mut d.serial, identify.serial.clone());
        fill(&mut d.firmware, identify.firmware.clone());
        fill(&mut d.world_wide_name, identify.wwn.clone());
        fill(&mut d.bytes, identify.bytes());
        fill(&mut d.sector_bytes, identify.logical_sector_bytes.clone());
        fill(
            &mut d.physical_sector_bytes,
            identify.physical_sector_bytes.clone(),
        );
        fill(&mut d.rotation_rpm, identify.rotation_rpm.clone());
    }
    if let Some(scsi) = &pages.scsi {
        fill(&mut d.model, scsi.model());
        fill(&mut d.serial, scsi.vpd.serial.clone());
        fill(&mut d.firmware, scsi.inquiry.revision.clone());
        fill(&mut d.world_wide_name, scsi.vpd.world_wide_name.clone());
        fill(&mut d.rotation_rpm, scsi.vpd.rotation_rpm.clone());
    }
    if let Some(bytes) = hint.bytes {
        fill(&mut d.bytes, Known::Value(bytes));
    }
    if let Some(bytes) = hint.sector_bytes {
        fill(&mut d.sector_bytes, Known::Value(bytes));
    }
    // Last, because it counts every namespace: but a size of the whole is better than none.
    if let Some(total) = pages.nvme.as_ref().and_then(|n| n.controller.tnvmcap.get()) {
        fill(
            &mut d.bytes,
            u64::try_from(total.0).map_or(Known::NotReported, Known::Value),
        );
    }
    d
}

/// What stores the bytes.
fn medium(pages: &Pages, hint: &Hint) -> Medium {
    let nvme = pages.nvme.as_ref();
    if nvme.is_some_and(|n| n.controller.model.value().is_some() || n.health.sound) {
        return Medium::Nvme;
    }
    let card = pages.mmc.as_ref().is_some_and(|wear| {
        // A refusal alone does not make a card.
        wear.sound()
            || !matches!(wear.life_time_a, Known::Unread { .. })
                && !matches!(wear.pre_eol, Known::Unread { .. })
    });
    if card || hint.is_card() {
        return Medium::Card;
    }
    let rotation = |rpm: &Known<u32>| {
        rpm.get()
            .map(|rpm| if rpm == 0 { Medium::Ssd } else { Medium::Disk })
    };
    let scsi = pages
        .scsi
        .as_ref()
        .and_then(|s| rotation(&s.vpd.rotation_rpm));
    let ata = pages.ata.as_ref().and_then(|a| {
        rotation(&a.identify.rotation_rpm)
            .or_else(|| by_statistics(a))
            .or_else(|| by_heads(a))
    });
    match (ata, scsi) {
        (Some(a), Some(s)) if a != s => Medium::Unknown,
        (Some(one), _) | (None, Some(one)) => one,
        (None, None) => Medium::Unknown,
    }
}

/// Page 03h exists for rotating media only, page 07h for solid state only.
fn by_statistics(ata: &Ata) -> Option<Medium> {
    let speaks = |page: u8| {
        ata.statistics
            .pages
            .iter()
            .any(|p| p.page == page && p.values.iter().any(|v| v.value.value().is_some()))
    };
    match (speaks(3), speaks(7)) {
        (true, false) => Some(Medium::Disk),
        (false, true) => Some(Medium::Ssd),
        _ => None,
    }
}

/// Disks from before the rotation word (ATA8-ACS) are known by their attributes: seeking (7 or
/// 8) together with two more of spin-up, starts, spin tries, shocks and head loads. No standard
/// defines the ids; no solid-state drive has reason to report seeks.
fn by_heads(ata: &Ata) -> Option<Medium> {
    let rows = ata.smart.attributes.value()?;
    let has = |id: u8| rows.iter().any(|a| a.id == id);
    let others = [3, 4, 10, 191, 193]
        .into_iter()
        .filter(|id| has(*id))
        .count();
    ((has(7) || has(8)) && others >= 2).then_some(Medium::Disk)
}

/// Remarks for people.
pub fn notes(pages: &Pages, hint: &Hint) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(nvme) = &pages.nvme {
        match nvme.sanitize_state.get() {
            Some(2) => notes
                .push("the drive is erasing itself right now (sanitize in progress)".to_owned()),
            Some(1 | 4) => {
                notes.push("the drive has erased itself at some time (sanitize done)".to_owned())
            }
            Some(3) => {
                notes.push("an erasure by the drive itself failed (sanitize failed)".to_owned())
            }
            _ => {}
        }
    }
    notes.extend(hidden(pages).map(|hidden| hidden.says));
    if let Some(ata) = &pages.ata {
        ata_notes(ata, pages.scsi.as_ref(), &mut notes);
    }
    if let Some(why) = impostor(pages, hint) {
        notes.push(why);
    }
    notes
}

/// A part of the drive that this device does not show.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hidden {
    /// What, in words.
    pub says: String,
    /// How many namespaces the drive has, when it is those; the job may hold them all.
    pub namespaces: Option<u32>,
}

/// What the drive has that this device does not show: sectors behind a protected area, or other namespaces.
pub fn hidden(pages: &Pages) -> Option<Hidden> {
    if let Some(ata) = &pages.ata
        && let (Some(has), Some(shows)) = (
            ata.native_sectors.get(),
            ata.identify.capacity_sectors.get(),
        )
        && has > shows
    {
        let bytes = ata.identify.logical_sector_bytes.get().unwrap_or(512);
        let words = bytes_in_words((has - shows).saturating_mul(u64::from(bytes)));
        return Some(Hidden {
            says: format!("{words} at its end are kept out of reach by a protected area"),
            namespaces: None,
        });
    }
    let nvme = pages.nvme.as_ref()?;
    let total = nvme.controller.tnvmcap.get().map(|n| n.0);
    let free = nvme.controller.unvmcap.get().map_or(0, |n| n.0);
    let namespaces = nvme.active_namespaces.get();
    if let (Some(total), Some(seen)) = (total, nvme.namespace.bytes().get()) {
        let beside = total.saturating_sub(free).saturating_sub(u128::from(seen));
        // Rounding of the totals is no hidden area: one per cent is let pass.
        if beside > total / 100 {
            let words = bytes_in_words(u64::try_from(beside).unwrap_or(u64::MAX));
            return Some(Hidden {
                says: format!("{words} lie in other namespaces, which this reading does not see"),
                namespaces: namespaces.filter(|n| *n > 1),
            });
        }
    }
    namespaces.filter(|n| *n > 1).map(|n| Hidden {
        says: format!("it has {n} namespaces, of which this reading sees one"),
        namespaces: Some(n),
    })
}

fn ata_notes(ata: &Ata, scsi: Option<&Scsi>, notes: &mut Vec<String>) {
    for (name, sum) in [
        ("IDENTIFY", &ata.identify.checksum_ok),
        ("SMART data", &ata.smart.data_checksum_ok),
        ("SMART thresholds", &ata.smart.thresholds_checksum_ok),
    ] {
        if sum.get() == Some(false) {
            notes.push(format!("{name}: checksum bad; its values are kept, but nothing in them counts in the drive's favour"));
        }
    }
    if ata.identify.smart_enabled.get() == Some(false) {
        notes.push("the drive's health recording is switched off".to_owned());
    }
    if let (Some(model), Some(scsi)) = (ata.identify.model.value(), scsi)
        && let Some(product) = scsi.inquiry.product.value()
        && !model.starts_with(product.as_str())
        && !scsi
            .model()
            .value()
            .is_some_and(|m| model.starts_with(m.as_str()))
    {
        notes.push(format!(
            "the adapter presents itself as '{product}', the drive behind it as '{model}'"
        ));
    }
}

/// An adapter that answers IDENTIFY for itself: its size is not that of the device. Its health
/// pages then speak of something else.
pub fn impostor(pages: &Pages, hint: &Hint) -> Option<String> {
    let told = pages.ata.as_ref()?.identify.bytes().get()?;
    // Recorded replies may well be shown beside a folder or an image of another size.
    let device = hint.bytes.filter(|_| !hint.recorded)?;
    (told.abs_diff(device) > device / 100).then(|| {
        format!(
            "the ATA pages speak of a drive of {}, but this device has {}: something in between answers for itself",
            bytes_in_words(told),
            bytes_in_words(device)
        )
    })
}
