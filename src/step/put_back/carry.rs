//! Carrying one file back: finds its place, reads it from the best copy, writes it under a temporary name.
//!
//! Invariant: only bytes with the digest of the ledger stay; a copy that differs is given up and the
//! next destination asked.

use super::names::Names;
use super::spots::{Parts, Spot, ends_all};
use crate::ledger::{GotRow, ItemRow};
use crate::port::{Destination, Fault, FaultKind, Recipient, Writing};
use crate::read::digest;
use crate::survey::item::Kind;
use crate::value::Blake3;
use std::sync::Arc;

/// Bytes read at once.
pub const PART: usize = 2 << 20;
/// The unit in which zeros of a sparse file are left out.
const PAGE: usize = 4096;

/// One file to put back.
pub struct Errand {
    /// The item.
    pub item: ItemRow,
    /// What was copied of it.
    pub got: GotRow,
    /// Its copy, relative to a destination.
    pub copy: String,
    /// The folder that it goes into.
    pub spot: Arc<Spot>,
    /// The folder's parts at the recipient (a map may send the file elsewhere).
    pub at: Parts,
    /// The names it may have there.
    pub names: Names,
    /// Its own name at the recipient.
    pub own: Vec<u8>,
}

/// What came of it.
pub enum Came {
    /// An equal file is there.
    There(Parts),
    /// Written in full under a temporary name.
    Written(Written),
    /// Not put back, and why.
    Refused(String),
    /// The recipient takes nothing any more.
    Stop(Fault),
}

/// A file at the recipient that has no name of its own yet.
pub struct Written {
    /// Its temporary name.
    pub temporary: Parts,
    /// What it may be called when it is proven.
    pub place: Parts,
    /// The digest that it has to have.
    pub expected: Blake3,
}

/// What a place at the recipient is for a file.
pub enum Found {
    /// Free.
    Free(Parts),
    /// An equal file is there.
    Equal(Parts),
}

/// Why there is no place.
pub enum NoPlace {
    /// For this item.
    Refused(String),
    /// For anything.
    Stop(Fault),
}

impl From<Fault> for NoPlace {
    fn from(fault: Fault) -> Self {
        if ends_all(&fault) {
            NoPlace::Stop(fault)
        } else {
            NoPlace::Refused(fault.to_string())
        }
    }
}

/// Whether what stands at a place (its kind, length and link target) is the item already.
pub type IsEqual<'a> =
    &'a mut dyn FnMut(&[Vec<u8>], Kind, u64, Option<&[u8]>) -> Result<bool, Fault>;

/// Looks for the first name that is free, or holds `is_equal`.
pub fn find(
    to: &dyn Recipient,
    at: &[Vec<u8>],
    names: &mut Names,
    is_equal: IsEqual<'_>,
) -> Result<Found, NoPlace> {
    while let Some(name) = names.offer() {
        let mut here = at.to_vec();
        here.push(name);
        match to.look(&here) {
            Ok(None) => return Ok(Found::Free(here)),
            Ok(Some((kind, stamp, target))) => {
                if is_equal(&here, kind, stamp.bytes, target.as_deref())? {
                    return Ok(Found::Equal(here));
                }
            }
            Err(fault) if fault.kind == FaultKind::CannotHold && names.stand_in() => {}
            Err(fault) => return Err(fault.into()),
        }
    }
    Err(NoPlace::Refused("no free name was found for it".into()))
}

/// Whether a file at the recipient has the length and digest.
pub fn holds(
    to: &dyn Recipient,
    at: &[Vec<u8>],
    bytes: u64,
    expected: Blake3,
    block: &mut [u8],
) -> Result<bool, Fault> {
    let content = to.open(at)?;
    Ok(digest::blake3(content.as_ref(), bytes, block)? == (bytes, expected))
}

/// What each worker has.
pub struct Porter<'a> {
    /// Where things go.
    pub to: &'a dyn Recipient,
    /// Where copies are, by number.
    pub from: &'a [Option<&'a dyn Destination>],
    /// The job's id, for temporary names.
    pub job: &'a str,
}

impl Porter<'_> {
    /// Carries one file.
    pub fn carry(&self, errand: &mut Errand, block: &mut [u8]) -> Came {
        let Some(expected) = errand.got.blake3 else {
            return Came::Refused("the ledger holds no digest for it".into());
        };
        let bytes = errand.item.bytes;
        let found = find(
            self.to,
            &errand.at,
            &mut errand.names,
            &mut |at, kind, length, _| {
                Ok(kind == Kind::File
                    && length == bytes
                    && holds(self.to, at, bytes, expected, block)?)
            },
        );
        let place = match found {
            Ok(Found::Equal(at)) => return Came::There(at),
            Ok(Found::Free(at)) => at,
            Err(NoPlace::Refused(why)) => return Came::Refused(why),
            Err(NoPlace::Stop(fault)) => return Came::Stop(fault),
        };
        let mut temporary = errand.at.clone();
        temporary.push(format!(".put-back-{}-{}", self.job, errand.item.id).into_bytes());
        let mut why = Vec::new();
        for (number, from) in self.sources(&errand.got) {
            match self.one(errand, from, &temporary, expected, block) {
                Ok(()) => {
                    return Came::Written(Written {
                        temporary,
                        place,
                        expected,
                    });
                }
                Err(Failed::Copy(says)) => why.push(format!("destination {}: {says}", number + 1)),
                Err(Failed::Here(fault)) => {
                    let _ = self.to.remove(&temporary);
                    return if ends_all(&fault) {
                        Came::Stop(fault)
                    } else {
                        Came::Refused(fault.to_string())
                    };
                }
            }
            let _ = self.to.remove(&temporary);
        }
        if why.is_empty() {
            why.push("no destination that holds a copy of it is here".into());
        }
        Came::Refused(why.join("; "))
    }

    /// The destinations with a copy: read back and equal first, known to differ last.
    fn sources(&self, got: &GotRow) -> Vec<(usize, &dyn Destination)> {
        let mut out: Vec<(usize, &dyn Destination)> = self
            .from
            .iter()
            .enumerate()
            .filter(|(number, _)| got.written & (1 << number) != 0)
            .filter_map(|(number, from)| from.map(|from| (number, from)))
            .collect();
        out.sort_by_key(|(number, _)| {
            let bit = 1u64 << number;
            (got.mismatch & bit != 0, got.verified & bit == 0)
        });
        out
    }

    fn one(
        &self,
        errand: &Errand,
        from: &dyn Destination,
        temporary: &[Vec<u8>],
        expected: Blake3,
        block: &mut [u8],
    ) -> Result<(), Failed> {
        let content = from.open(&errand.copy)?;
        let bytes = errand.item.bytes;
        let mut writing = match self.to.create(temporary, bytes) {
            // Left by a run that was cut off: the job's id in the name says that it is ours.
            Err(fault) if fault.kind == FaultKind::Exists => self
                .to
                .remove(temporary)
                .and_then(|()| self.to.create(temporary, bytes)),
            other => other,
        }
        .map_err(Failed::Here)?;
        let is_sparse = errand.item.is_sparse();
        let mut hasher = blake3::Hasher::new();
        let at = digest::to_the_end(content.as_ref(), bytes, block, |at, read| {
            if at.saturating_add(read.len() as u64) > bytes {
                return Err(Failed::Copy(format!("expected {bytes} bytes, found more")));
            }
            hasher.update(read);
            write(writing.as_mut(), at, read, is_sparse).map_err(Failed::Here)
        })?;
        let found = Blake3(*hasher.finalize().as_bytes());
        if (at, found) != (bytes, expected) {
            return Err(Failed::Copy(format!(
                "the copy is not what was copied: expected {bytes} bytes with BLAKE3 {expected}, found {at} bytes with {found}"
            )));
        }
        writing.finish(bytes).map_err(Failed::Here)
    }
}

enum Failed {
    /// This copy is of no use; another one may be.
    Copy(String),
    /// The recipient did not take it.
    Here(Fault),
}

impl From<Fault> for Failed {
    /// Of what is read; what is written says [`Failed::Here`].
    fn from(fault: Fault) -> Self {
        Failed::Copy(fault.to_string())
    }
}

/// Writes what was read; of a sparse file only the pages that are not all zeros.
fn write(writing: &mut dyn Writing, at: u64, bytes: &[u8], is_sparse: bool) -> Result<(), Fault> {
    if !is_sparse {
        return writing.write_at(at, bytes);
    }
    let (mut from, mut to) = (0usize, 0usize);
    for page in bytes.chunks(PAGE) {
        let end = to.saturating_add(page.len());
        if page.iter().all(|byte| *byte == 0) {
            if from < to {
                writing.write_at(
                    at.saturating_add(from as u64),
                    bytes.get(from..to).unwrap_or_default(),
                )?;
            }
            from = end;
        }
        to = end;
    }
    if from < to {
        writing.write_at(
            at.saturating_add(from as u64),
            bytes.get(from..to).unwrap_or_default(),
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::sync::Mutex;

    type Pieces = Vec<(u64, Vec<u8>)>;

    struct Kept(Arc<Mutex<Pieces>>);

    impl Writing for Kept {
        fn write_at(&mut self, at: u64, bytes: &[u8]) -> Result<(), Fault> {
            self.0.lock().unwrap().push((at, bytes.to_vec()));
            Ok(())
        }
        fn settle(&mut self) -> Result<(), Fault> {
            Ok(())
        }
        fn finish(self: Box<Self>, _: u64) -> Result<(), Fault> {
            Ok(())
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn leaving_zeros_out_changes_no_byte(pages in prop::collection::vec((any::<bool>(), 1usize..=PAGE), 0..9), tail in 0usize..PAGE) {
            let mut bytes = Vec::new();
            for (zero, mark) in pages {
                let mut page = vec![0u8; PAGE];
                if !zero { page[mark - 1] = 9; }
                bytes.extend(page);
            }
            bytes.extend(vec![0u8; tail]);
            let kept = Arc::new(Mutex::new(Vec::new()));
            write(&mut Kept(kept.clone()), 0, &bytes, true).unwrap();
            let mut made = vec![0u8; bytes.len()];
            for (at, part) in kept.lock().unwrap().iter() {
                prop_assert!(part.chunks(PAGE).all(|page| page.iter().any(|b| *b != 0)));
                made[*at as usize..*at as usize + part.len()].copy_from_slice(part);
            }
            prop_assert_eq!(made, bytes);
        }
    }
}
