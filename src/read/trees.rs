//! Sources over trees (the customer's folder) and over a destination (filling a second one from the first).

use super::places::Place;
use super::source::{Opener, Source};
use crate::ledger::ItemRow;
use crate::port::{Content, Destination, Fault, FaultKind, Folder, Stamp, Tree};
use std::sync::Arc;

/// Opens items of a tree; keeps the last folder open.
pub struct TreeOpener<'a> {
    tree: &'a dyn Tree,
    last: Option<(Arc<Place>, Box<dyn Folder>)>,
}

impl<'a> TreeOpener<'a> {
    /// For this tree.
    pub fn new(tree: &'a dyn Tree) -> Self {
        Self { tree, last: None }
    }

    fn folder(&mut self, place: &Arc<Place>) -> Result<&dyn Folder, Fault> {
        let known = self
            .last
            .as_ref()
            .is_some_and(|(at, _)| Arc::ptr_eq(at, place) || at.names == place.names);
        if !known {
            self.last = Some((place.clone(), self.tree.folder(&place.parts())?));
        }
        match &self.last {
            Some((_, folder)) => Ok(folder.as_ref()),
            None => Err(Fault::new(
                FaultKind::Other,
                "opening a folder of the source",
                "it was not kept",
            )),
        }
    }
}

impl Opener for TreeOpener<'_> {
    fn open(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Box<dyn Content>, Fault> {
        let name = item.name.path_part();
        self.folder(place)?.open(&name)
    }

    fn stamp(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Stamp, Fault> {
        let name = item.name.path_part();
        self.folder(place)?.stamp(&name)
    }
}

/// Items read from copies that another destination already holds.
pub struct CopySource<'a> {
    /// The destination that has them.
    pub from: &'a dyn Destination,
}

impl<'a> CopySource<'a> {
    /// An opener that needs no source beside it.
    pub fn into_opener(self) -> Box<dyn Opener + 'a> {
        Box::new(CopyOpener { from: self.from })
    }
}

impl Source for CopySource<'_> {
    fn opener(&self) -> Box<dyn Opener + '_> {
        Box::new(CopyOpener { from: self.from })
    }

    fn has_stamps(&self) -> bool {
        false
    }

    fn is_copy(&self) -> bool {
        true
    }
}

struct CopyOpener<'a> {
    from: &'a dyn Destination,
}

impl Opener for CopyOpener<'_> {
    fn open(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Box<dyn Content>, Fault> {
        self.from.open(&place.bag_path(item))
    }

    fn stamp(&mut self, item: &ItemRow, place: &Arc<Place>) -> Result<Stamp, Fault> {
        self.from.open(&place.bag_path(item))?.stamp()
    }
}
