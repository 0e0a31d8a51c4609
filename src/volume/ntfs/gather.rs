//! One base record and its extension records, merged: names, streams, what the attribute list promises.
//!
//! Invariant: an extension counts only if its reference has the base record's sequence; a part that the
//! list promises and no record delivers is trouble of the whole item.

use super::pieces::{Ground, Laid, Part, lay};
use super::raw::time_of;
use super::record::{Attributes, Value, kind, sequence_of};
use super::store::{Note, Row, SHORT, Store};
use super::table::{Table, Window, entries, read_list};
use crate::port::{Fault, Sectors};
use crate::survey::item::Times;
use crate::value::Name;
use crate::volume::layout::Piece;
use crate::volume::stored::{Narrow, Ranges, Stored};

/// Largest reparse value (16 KiB by the format).
const REPARSE_BYTES: u64 = 16 << 10;

/// Empty lists that are kept for the next record.
const SPARE: usize = 16;

/// One stream (or other attribute with content), its parts not yet laid out.
#[derive(Debug, Clone, Default)]
pub struct Stream<'a> {
    /// Type.
    pub kind: u32,
    /// Name units; empty = the unnamed one.
    pub name: &'a [u8],
    /// Flags of all parts together.
    pub flags: u16,
    /// Logarithm of the compression unit.
    pub unit: u8,
    /// Allocated, real, initialised.
    pub sizes: Option<[u64; 3]>,
    /// Parts in clusters.
    pub parts: Vec<Part<'a>>,
    /// Kept in a record: which, how long, and the value if the notes hold it.
    pub resident: Option<(u32, u64, Option<&'a [u8]>)>,
    /// Two records contradict each other about it.
    pub contradicted: bool,
}

/// A record with everything that belongs to it.
#[derive(Debug, Default)]
pub struct Gathered<'a> {
    /// Times.
    pub times: Times,
    /// File attributes.
    pub attributes: u32,
    /// Names that are listed: parent reference and name. Short names are left out when a long one exists.
    pub names: Vec<(u64, Name)>,
    /// Names of every kind.
    pub all_names: u32,
    /// Streams, the unnamed one first.
    pub streams: Vec<Stream<'a>>,
    /// The reparse point.
    pub reparse: Option<Stream<'a>>,
    /// There are extended attributes.
    pub extended: bool,
    /// There are attributes of unknown meaning.
    pub foreign: bool,
    /// There are keys of the encrypting file system.
    pub keys: bool,
    /// What is wrong with the record as a whole.
    pub trouble: Option<String>,
    /// Empty lists of parts, for the streams of the next record.
    spare: Vec<Vec<Part<'a>>>,
}

impl<'a> Gathered<'a> {
    /// Forgets the record; the room that it took is kept for the next one.
    fn clear(&mut self) {
        while let Some(stream) = self.streams.pop().or_else(|| self.reparse.take()) {
            let mut parts = stream.parts;
            if parts.capacity() > 0 && self.spare.len() < SPARE {
                parts.clear();
                self.spare.push(parts);
            }
        }
        self.times = Times::default();
        (self.attributes, self.all_names) = (0, 0);
        (self.extended, self.keys) = (false, false);
        self.names.clear();
        self.trouble = None;
    }

    /// The stream of that type and exact name; most records have one.
    fn stream(&mut self, kind: u32, name: &'a [u8]) -> &mut Stream<'a> {
        let same = |s: &Stream<'_>| s.kind == kind && s.name == name;
        let at = match self.streams.iter().position(same) {
            Some(at) => at,
            None => {
                self.streams.push(Stream {
                    kind,
                    name,
                    parts: self.spare.pop().unwrap_or_default(),
                    ..Stream::default()
                });
                self.streams.len() - 1
            }
        };
        &mut self.streams[at]
    }
}

/// Everything needed to read a record's parts.
pub struct Source<'a> {
    /// The drive.
    pub sectors: &'a dyn Sectors,
    /// The volume.
    pub ground: Ground,
    /// The table.
    pub table: &'a Table,
    /// The notes.
    pub store: &'a Store,
}

impl<'a> Source<'a> {
    /// Merges a base record with its extensions; `out` held the record before.
    pub fn gather(&self, row: &Row, out: &mut Gathered<'a>) -> Result<(), Fault> {
        out.clear();
        let mut trouble = None;
        let mut wrong = |says: String| {
            trouble.get_or_insert(says);
        };
        let extensions = self.store.extensions_of(row.number);
        let rows = || {
            std::iter::once(row).chain(
                extensions
                    .iter()
                    .filter(|e| sequence_of(e.reference) == row.sequence),
            )
        };
        let mut listed: Vec<u64> = Vec::new();
        let mut list_part: Option<(Part<'a>, Option<u64>)> = None;
        let mut standard = None;
        for own in rows() {
            out.foreign |= own.is(Row::FOREIGN);
            if own.is(Row::BROKEN) {
                wrong(format!("record {} contradicts itself", own.number));
            }
            for note in self.store.notes(own) {
                match note {
                    Note::Standard { times, flags } => standard = Some((times, flags)),
                    Note::Name {
                        parent,
                        space,
                        units,
                        narrow,
                    } => {
                        out.all_names = out.all_names.saturating_add(1);
                        if space != SHORT {
                            out.names.push((parent, name_from(units, narrow)));
                        }
                    }
                    Note::Short => out.all_names = out.all_names.saturating_add(1),
                    Note::Resident { kind: kind::EA, .. } => out.extended = true,
                    Note::Part { kind: kind::EA, .. } => out.extended = true,
                    Note::Resident {
                        kind: kind::LOGGED_UTILITY_STREAM,
                        name,
                        ..
                    }
                    | Note::Part {
                        kind: kind::LOGGED_UTILITY_STREAM,
                        name,
                        ..
                    } => out.keys |= super::raw::is_ascii(name, "$EFS"),
                    Note::Resident {
                        kind,
                        name,
                        flags,
                        bytes,
                        value,
                    } => {
                        let stream = out.stream(kind, name);
                        stream.contradicted |=
                            stream.resident.is_some() || !stream.parts.is_empty();
                        stream.flags |= flags;
                        stream.resident = Some((own.number, bytes, value));
                    }
                    Note::Part {
                        kind: kind::ATTRIBUTE_LIST,
                        first,
                        clusters,
                        sizes,
                        list,
                        ..
                    } => {
                        let part = Part {
                            first,
                            clusters,
                            list,
                        };
                        list_part = Some((part, sizes.map(|[_, real, _]| real)));
                    }
                    Note::Part {
                        kind: kind::DATA | kind::REPARSE_POINT,
                        ..
                    } => part(note, out),
                    Note::Part { .. } => {}
                    Note::Listed(record) => listed.push(record),
                    Note::ListBroken => {
                        wrong("its attribute list could not be read to the end".to_owned());
                    }
                }
            }
        }
        if let Some((part, real)) = list_part {
            match read_list(self.sectors, &self.ground, part, real)? {
                Some(bytes) => {
                    let (found, whole) = entries(&bytes);
                    listed.extend(found.iter().map(|entry| entry.record));
                    if !whole {
                        wrong("its attribute list could not be read to the end".to_owned());
                    }
                }
                None => wrong("its attribute list could not be read".to_owned()),
            }
        }
        if !listed.is_empty() {
            listed.sort_unstable();
            listed.dedup();
            let mut held: Vec<u64> = rows().map(|own| own.number.into()).collect();
            held.sort_unstable();
            if let Some(lost) = listed.iter().find(|r| held.binary_search(r).is_err()) {
                wrong(format!(
                    "a part of it was in record {lost}, which is not usable"
                ));
            }
        }
        match standard {
            Some((times, flags)) => {
                let [created, modified, changed, accessed] = times.map(time_of);
                out.times = Times {
                    created,
                    modified,
                    changed,
                    accessed,
                };
                out.attributes = flags;
            }
            None => wrong("its standard information is missing".to_owned()),
        }
        // A short name is the second name of one entry, not an entry of its own; nearly every file has one, so it is
        // taken only where there is no other.
        if out.names.is_empty() && out.all_names > 0 {
            let notes = rows().flat_map(|own| self.store.notes(own));
            let short = notes.filter_map(|note| match note {
                Note::Name {
                    parent,
                    units,
                    narrow,
                    ..
                } => Some((parent, name_from(units, narrow))),
                _ => None,
            });
            out.names.extend(short);
        }
        let kind = kind::REPARSE_POINT;
        if let Some(at) = out.streams.iter().position(|s| s.kind == kind) {
            out.reparse = Some(out.streams.swap_remove(at));
        }
        if out.streams.len() > 1 {
            out.streams.sort_by_key(|s| s.name);
        }
        out.trouble = trouble;
        Ok(())
    }

    /// The bytes of an attribute kept in a record, read again when the notes do not hold them.
    /// `Err` inside = why they are not to be had.
    pub fn resident(
        &self,
        window: &mut Window,
        stream: &Stream<'_>,
    ) -> Result<Result<Vec<u8>, String>, Fault> {
        let Some((record, _, value)) = stream.resident else {
            return Ok(Err("it is not kept in a record".to_owned()));
        };
        if let Some(value) = value {
            return Ok(Ok(value.to_vec()));
        }
        let Ok((bytes, head)) = self.table.record(self.sectors, window, record.into())? else {
            return Ok(Err(format!("record {record} could not be read again")));
        };
        for attribute in Attributes::new(bytes, &head).flatten() {
            if attribute.kind == stream.kind
                && attribute.name == stream.name
                && let Value::Resident(value) = attribute.value
            {
                return Ok(Ok(value.to_vec()));
            }
        }
        Ok(Err(format!("record {record} changed between two reads")))
    }

    /// Lays out a stream kept in clusters, holes judged by its flags.
    pub fn laid(&self, stream: &Stream<'_>) -> Laid {
        let holes = stream.flags & 0x8000 != 0 || stream.flags & 0x00FF != 0;
        lay(&self.ground, &stream.parts, holes)
    }

    /// The reparse value, wherever it is kept.
    pub fn reparse(
        &self,
        window: &mut Window,
        stream: &Stream<'_>,
    ) -> Result<Result<Vec<u8>, String>, Fault> {
        if stream.resident.is_some() {
            return self.resident(window, stream);
        }
        let laid = self.laid(stream);
        let bytes = stream.sizes.map_or(u64::MAX, |[_, real, _]| real);
        if laid.trouble.is_some() || bytes > laid.bytes.min(REPARSE_BYTES) {
            return Ok(Err("its reparse point cannot be found".to_owned()));
        }
        let mut value = vec![0u8; usize::try_from(bytes).unwrap_or(0)];
        let mut missing = Ranges::new();
        Stored::new(laid.pieces).read(
            self.sectors,
            0,
            &mut value,
            Narrow::default(),
            &mut missing,
        )?;
        Ok(if missing.is_empty() {
            Ok(value)
        } else {
            Err("its reparse point could not be read".to_owned())
        })
    }
}

fn name_from(units: &[u8], narrow: bool) -> Name {
    if narrow {
        Name::Units(units.iter().map(|unit| u16::from(*unit)).collect())
    } else {
        Name::from_stored(units, true)
    }
}

/// Adds a part in clusters to its stream.
fn part<'a>(note: Note<'a>, out: &mut Gathered<'a>) {
    let Note::Part {
        kind,
        name,
        flags,
        unit,
        first,
        clusters,
        sizes,
        list,
    } = note
    else {
        return;
    };
    let stream = out.stream(kind, name);
    stream.contradicted |= stream.resident.is_some() || (sizes.is_some() && stream.sizes.is_some());
    stream.flags |= flags;
    stream.unit = stream.unit.max(unit);
    stream.sizes = stream.sizes.or(sizes);
    stream.parts.push(Part {
        first,
        clusters,
        list,
    });
}

/// Pieces with everything lost.
pub fn lost(bytes: u64) -> Vec<Piece> {
    if bytes == 0 {
        Vec::new()
    } else {
        vec![Piece::Lost { bytes }]
    }
}
