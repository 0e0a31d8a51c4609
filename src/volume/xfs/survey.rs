//! The survey: the superblock and what any writing changes, then the mounted tree, then the accounts.

use super::blocks::Blocks;
use super::superblock::Superblock;
use super::walk::Walk;
use crate::port::Mounted;
use crate::volume::filesystem::{Accounts, Found, Limits, Place, Survey, Weight};

/// Surveys the volume at `place` by its mount: calls `see` for the root and every name below it, parents first.
pub fn survey(
    sb: &Superblock,
    mounted: &dyn Mounted,
    place: Place,
    limits: Limits,
    see: &mut dyn FnMut(Found),
) -> Survey {
    let blocks = Blocks::new(sb.blocks, limits.table_bytes);
    let mut walk = Walk::new(place, sb.block_bytes, blocks, limits, see);
    walk.all(mounted.tree(), sb.root);
    if walk.twice > 0 {
        walk.name_the_first(mounted.tree(), sb.root);
    }
    if walk.blocks.is_none() {
        walk.findings
            .note("clusters-not-compared", Weight::OpenPoint, None, || {
                "it has so many blocks that nobody looked whether one belongs to two files".into()
            });
    }
    walk.findings.note_attributes(walk.unkept);
    let own = sb.own_inodes.unwrap_or(0);
    Survey {
        format: "XFS",
        label: sb.label(),
        serial: Some(sb.uuid.clone()),
        dirty: None,
        root: sb.root,
        bytes: sb.bytes(),
        whole: walk.whole,
        accounts: Accounts {
            cluster_bytes: sb.block_bytes,
            owned_twice: walk.twice,
            records_in_use: mounted.inodes_in_use().filter(|_| sb.own_inodes.is_some()),
            records_listed: walk.inodes.saturating_add(own),
            ..Accounts::default()
        },
        findings: walk.findings,
    }
}
