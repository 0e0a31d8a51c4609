//! A source opens the content of items for the copy engine, whatever the items lie on.

use super::places::Place;
use crate::ledger::ItemRow;
use crate::port::{Content, Fault, Stamp};
use std::sync::Arc;

/// Something that items can be read from.
pub trait Source: Send + Sync {
    /// A fresh opener; each worker has its own.
    fn opener(&self) -> Box<dyn Opener + '_>;
    /// Whether the stamps of the source can be compared with those of the survey (a drive on hold needs no such check).
    fn has_stamps(&self) -> bool {
        true
    }
    /// Whether it is only another destination's copies: no source for what was never copied.
    fn is_copy(&self) -> bool {
        false
    }
}

/// Opens items one after the other; may keep the last folder open.
pub trait Opener {
    /// Opens an item's content.
    fn open(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Box<dyn Content>, Fault>;
    /// The stamp of an item, now, by its name.
    fn stamp(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Stamp, Fault>;
}

/// Whether two stamps speak of the same unchanged content. The change time counts: a program that writes into a file
/// and sets its old time again moves it, and reading does not. The device number does not: a replugged drive or a start
/// of the machine changes it, and the root is known by its file system's own id.
pub fn unchanged(item: &ItemRow, now: &Stamp) -> bool {
    item.inode == now.inode
        && item.bytes == now.bytes
        && item.modified_ns == now.modified_ns
        && item.changed_ns == now.changed_ns
}
