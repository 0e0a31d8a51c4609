//! Compact notes on every record in use, taken while the table is read once.
//!
//! Invariant: about 32 bytes and the bare facts (run lists first, then names and times) for each record, so a
//! million records fit under 200 MiB; content kept in records is held up to a budget and read a second
//! time, in order, beyond it.

use super::raw::{is_ascii, put_number, span, take, take_number, u8_at, u32_at, u64_at};
use super::record::{Attribute, Attributes, Header, Value, kind, number_of, sequence_of};
use super::table::entries;

/// Name space of a short name (1 long, 3 both, 0 any).
pub const SHORT: u8 = 2;
/// Bytes of one block of notes.
const BLOCK: usize = 1 << 20;

/// What is known of one record without looking at its notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// Parent reference of its best name (base records), or the base reference (extension records).
    pub reference: u64,
    /// Where its notes are: block, then offset.
    at: (u32, u32),
    /// Number of the record.
    pub number: u32,
    /// Bytes of its notes.
    bytes: u32,
    /// Sequence.
    pub sequence: u16,
    /// Names it says it has.
    pub links: u16,
    /// See the constants.
    pub flags: u8,
}

impl Row {
    /// A folder.
    pub const FOLDER: u8 = 1;
    /// Its best name begins with `$`.
    pub const DOLLAR: u8 = 2;
    /// It has a name.
    pub const NAMED: u8 = 4;
    /// Its attributes could not be walked to the end.
    pub const BROKEN: u8 = 8;
    /// It has an attribute that Windows gives no meaning to, or a logged stream of an unknown name.
    pub const FOREIGN: u8 = 16;

    /// Whether a flag is set.
    pub fn is(&self, flag: u8) -> bool {
        self.flags & flag != 0
    }
}

/// Whether an attribute is none of those that Windows makes today: the property set of before 2000, kinds of a program's own,
/// and logged streams other than the keys of encrypted files and the notes of transactions.
fn is_foreign(attribute: &Attribute<'_>) -> bool {
    match attribute.kind {
        kind::LOGGED_UTILITY_STREAM => !["$EFS", "$TXF_DATA"]
            .iter()
            .any(|known| is_ascii(attribute.name, known)),
        other => other == kind::PROPERTY_SET || other > kind::LOGGED_UTILITY_STREAM,
    }
}

/// One fact out of the notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Note<'a> {
    /// Times and file attributes.
    Standard {
        /// Created, modified, changed, read: Windows times.
        times: [u64; 4],
        /// File attributes.
        flags: u32,
    },
    /// A name.
    Name {
        /// Parent reference.
        parent: u64,
        /// 0 POSIX, 1 Win32, 2 DOS, 3 both.
        space: u8,
        /// Its units, each below 128 (then one byte each) or little-endian pairs.
        units: &'a [u8],
        /// `units` holds one byte for each unit.
        narrow: bool,
    },
    /// A short name beside a long one of the same record: only that it is there.
    Short,
    /// An attribute in the record itself.
    Resident {
        /// Type.
        kind: u32,
        /// Name units.
        name: &'a [u8],
        /// Flags.
        flags: u16,
        /// Bytes of the value.
        bytes: u64,
        /// The value, unless the budget was spent.
        value: Option<&'a [u8]>,
    },
    /// A part of an attribute in clusters.
    Part {
        /// Type.
        kind: u32,
        /// Name units.
        name: &'a [u8],
        /// Flags.
        flags: u16,
        /// Logarithm of the compression unit.
        unit: u8,
        /// First cluster of the attribute.
        first: u64,
        /// Clusters in this part.
        clusters: u64,
        /// Allocated, real, initialised bytes, where this is the first part.
        sizes: Option<[u64; 3]>,
        /// Run list.
        list: &'a [u8],
    },
    /// A record that the (resident) attribute list refers to.
    Listed(u64),
    /// The attribute list could not be read to its end.
    ListBroken,
}

/// The notes.
#[derive(Debug, Default)]
pub struct Store {
    blocks: Vec<Vec<u8>>,
    /// Base records, by number.
    pub rows: Vec<Row>,
    /// Extension records, by base and number once [`Store::finish`] was called.
    pub extensions: Vec<Row>,
    kept: u64,
    keep_at_most: u64,
    scratch: Scratch,
}

/// The notes on the record in hand, each kind in the order of its attributes.
#[derive(Debug, Default)]
struct Scratch {
    /// Parts in clusters.
    parts: Vec<u8>,
    /// Everything but parts and short names.
    others: Vec<u8>,
    /// Short names, and how many.
    short: Vec<u8>,
    shorts: usize,
}

impl Scratch {
    fn clear(&mut self) {
        self.parts.clear();
        self.others.clear();
        self.short.clear();
        self.shorts = 0;
    }
}

impl Store {
    /// Room for about `records` records; `keep_at_most` bytes of content kept in records are held.
    pub fn new(records: usize, keep_at_most: u64) -> Self {
        Self {
            rows: Vec::with_capacity(records),
            keep_at_most,
            ..Self::default()
        }
    }

    /// Bytes held.
    pub fn bytes(&self) -> u64 {
        let rows = self
            .rows
            .capacity()
            .saturating_add(self.extensions.capacity());
        (self.blocks.len() as u64)
            .saturating_mul(BLOCK as u64)
            .saturating_add((rows as u64).saturating_mul(size_of::<Row>() as u64))
    }

    /// Takes notes on one record in use; `claim` is told type, name and run list of every part that is noted. Records
    /// come in ascending order.
    pub fn add(
        &mut self,
        number: u32,
        record: &[u8],
        head: &Header,
        mut claim: impl FnMut(u32, &[u8], &[u8]),
    ) -> Row {
        let mut notes = std::mem::take(&mut self.scratch);
        notes.clear();
        let mut flags = if head.folder { Row::FOLDER } else { 0 };
        let mut best: Option<(u8, u64)> = None;
        for attribute in Attributes::new(record, head) {
            let Ok(attribute) = attribute else {
                flags |= Row::BROKEN;
                break;
            };
            if is_foreign(&attribute) {
                flags |= Row::FOREIGN;
            }
            if attribute.kind == kind::FILE_NAME
                && let Value::Resident(value) = attribute.value
            {
                let short = u8_at(value, 0x41) == Some(SHORT);
                let out = if short {
                    &mut notes.short
                } else {
                    &mut notes.others
                };
                match name_note(value, out) {
                    Some((parent, dollar)) => {
                        flags |= Row::NAMED;
                        notes.shorts += usize::from(short);
                        // A long name is better than a short one; the first of them counts.
                        let rank = u8::from(short);
                        if best.is_none_or(|(known, _)| rank < known) {
                            best = Some((rank, parent));
                            flags = flags & !Row::DOLLAR | if dollar { Row::DOLLAR } else { 0 };
                        }
                    }
                    None => flags |= Row::BROKEN,
                }
            } else if self.note(&attribute, &mut notes).is_none() {
                flags |= Row::BROKEN;
            } else if let Value::Runs { list, .. } = attribute.value {
                claim(attribute.kind, attribute.name, list);
            }
        }
        match best {
            Some((0, _)) => notes.others.extend(std::iter::repeat_n(9, notes.shorts)),
            _ => notes.others.append(&mut notes.short),
        }
        let row = Row {
            reference: if head.base != 0 {
                head.base
            } else {
                best.map_or(0, |(_, parent)| parent)
            },
            at: self.keep(&notes),
            number,
            bytes: (notes.parts.len() + notes.others.len()) as u32,
            sequence: head.sequence,
            links: head.links,
            flags,
        };
        if head.base == 0 {
            self.rows.push(row);
        } else {
            self.extensions.push(row);
        }
        self.scratch = notes;
        row
    }

    fn keep(&mut self, notes: &Scratch) -> (u32, u32) {
        let bytes = notes.parts.len() + notes.others.len();
        let fits = |block: &Vec<u8>| block.len() + bytes <= BLOCK;
        if !self.blocks.last().is_some_and(fits) {
            self.blocks.push(Vec::with_capacity(BLOCK.max(bytes)));
        }
        let index = self.blocks.len().saturating_sub(1);
        match self.blocks.last_mut() {
            Some(block) => {
                let at = block.len();
                block.extend_from_slice(&notes.parts);
                block.extend_from_slice(&notes.others);
                (index as u32, at as u32)
            }
            None => (0, 0),
        }
    }

    /// Notes on every attribute but names. `None` = the attribute contradicts itself.
    fn note(&mut self, attribute: &Attribute<'_>, notes: &mut Scratch) -> Option<()> {
        let out = match attribute.value {
            Value::Resident(_) => &mut notes.others,
            Value::Runs { .. } => &mut notes.parts,
        };
        match (attribute.kind, attribute.value) {
            (kind::STANDARD_INFORMATION, Value::Resident(value)) => {
                let created = u64_at(value, 0)?;
                let others = [u64_at(value, 8)?, u64_at(value, 16)?, u64_at(value, 24)?];
                let flags = u32_at(value, 0x20)?;
                out.push(1);
                out.extend_from_slice(&created.to_le_bytes());
                for time in others {
                    // Times lie near one another, so the differences are short.
                    let delta = time.wrapping_sub(created) as i64;
                    put_number(out, ((delta << 1) ^ (delta >> 63)) as u64);
                }
                put_number(out, flags.into());
            }
            (kind::ATTRIBUTE_LIST, Value::Resident(value)) => {
                let (list, whole) = entries(value);
                let mut last = None;
                for entry in list {
                    if last != Some(entry.record) {
                        out.push(5);
                        put_number(out, entry.record);
                        last = Some(entry.record);
                    }
                }
                if !whole {
                    out.push(6);
                }
            }
            (
                kind::DATA | kind::REPARSE_POINT | kind::EA | kind::LOGGED_UTILITY_STREAM,
                Value::Resident(value),
            ) => {
                let wanted = matches!(attribute.kind, kind::DATA | kind::REPARSE_POINT);
                let more = self.kept.saturating_add(value.len() as u64);
                let keep = wanted && more <= self.keep_at_most;
                out.push(if keep { 4 } else { 3 });
                front(attribute, out);
                put_number(out, value.len() as u64);
                if keep {
                    self.kept = more;
                    out.extend_from_slice(value);
                }
            }
            (_, Value::Resident(_)) => {}
            (
                _,
                Value::Runs {
                    first,
                    last,
                    unit,
                    sizes,
                    list,
                },
            ) => {
                let clusters = last.wrapping_add(1).checked_sub(first)?;
                out.push(2);
                front(attribute, out);
                out.push(unit);
                put_number(out, first);
                put_number(out, clusters);
                match sizes {
                    Some(sizes) => {
                        out.push(1);
                        put_number(out, sizes.allocated);
                        put_number(out, sizes.real);
                        put_number(out, sizes.initialised);
                    }
                    None => out.push(0),
                }
                put_number(out, list.len() as u64);
                out.extend_from_slice(list);
            }
        }
        Some(())
    }

    /// Sorts the extension records by their base, and gives base records whose names all lie in
    /// extensions (a folder with many attributes) the parent found there.
    pub fn finish(&mut self) {
        self.extensions
            .sort_unstable_by_key(|row| (number_of(row.reference), row.number));
        self.scratch = Scratch::default();
        let mut found: Vec<(usize, u64, bool)> = Vec::new();
        for extension in self.extensions.iter().filter(|e| e.is(Row::NAMED)) {
            let base = self.find(number_of(extension.reference));
            let Some((index, row)) = base.and_then(|i| Some((i, self.rows.get(i)?))) else {
                continue;
            };
            if row.is(Row::NAMED) || row.sequence != sequence_of(extension.reference) {
                continue;
            }
            let mut best: Option<(bool, u64, bool)> = None;
            for note in self.notes(extension) {
                if let Note::Name {
                    parent,
                    space,
                    units,
                    narrow,
                } = note
                {
                    let short = space == SHORT;
                    let dollar =
                        units.first() == Some(&b'$') && (narrow || units.get(1) == Some(&0));
                    if best.is_none_or(|(known, ..)| known && !short) {
                        best = Some((short, parent, dollar));
                    }
                }
            }
            if let Some((_, parent, dollar)) = best {
                found.push((index, parent, dollar));
            }
        }
        for (index, parent, dollar) in found {
            if let Some(row) = self.rows.get_mut(index)
                && !row.is(Row::NAMED)
            {
                row.reference = parent;
                row.flags |= Row::NAMED | if dollar { Row::DOLLAR } else { 0 };
            }
        }
    }

    /// The extension records of a base record; their sequence is not compared here.
    pub fn extensions_of(&self, number: u32) -> &[Row] {
        let key = |row: &Row| number_of(row.reference);
        let from = self
            .extensions
            .partition_point(|row| key(row) < number.into());
        let to = self
            .extensions
            .partition_point(|row| key(row) <= number.into());
        self.extensions.get(from..to).unwrap_or_default()
    }

    /// The place in `rows` of a base record.
    pub fn find(&self, number: u64) -> Option<usize> {
        let number = u32::try_from(number).ok()?;
        self.rows
            .binary_search_by_key(&number, |row| row.number)
            .ok()
    }

    /// The notes on one record; the parts in clusters come first.
    pub fn notes(&self, row: &Row) -> Notes<'_> {
        let from = row.at.1 as usize;
        let bytes = self
            .blocks
            .get(row.at.0 as usize)
            .and_then(|block| block.get(from..from + row.bytes as usize))
            .unwrap_or_default();
        Notes { rest: bytes }
    }
}

/// Notes a name; returns the parent and whether it begins with `$`.
fn name_note(value: &[u8], out: &mut Vec<u8>) -> Option<(u64, bool)> {
    let parent = u64_at(value, 0)?;
    let length = usize::from(u8_at(value, 0x40)?);
    let space = u8_at(value, 0x41)?;
    let units = span(value, 0x42, 2 * length)?;
    if length == 0 || space > 3 {
        return None;
    }
    let (pairs, _) = units.as_chunks::<2>();
    // All bits together, not one after the other until one is too large: that is several units at a time.
    let bits = pairs
        .iter()
        .fold(0, |bits, pair| bits | u16::from_le_bytes(*pair));
    let narrow = bits < 0x80;
    out.push(if narrow { 8 } else { 7 });
    put_number(out, number_of(parent));
    put_number(out, parent >> 48);
    out.push(space);
    out.push(length as u8);
    if narrow {
        out.extend(pairs.iter().map(|[low, _]| *low));
    } else {
        out.extend_from_slice(units);
    }
    Some((parent, units.get(..2) == Some(b"$\0")))
}

fn front(attribute: &Attribute<'_>, out: &mut Vec<u8>) {
    put_number(out, attribute.kind.into());
    put_number(out, attribute.flags.into());
    out.push((attribute.name.len() / 2) as u8);
    out.extend_from_slice(attribute.name);
}

/// Iterates over the notes of one record.
#[derive(Debug, Clone)]
pub struct Notes<'a> {
    rest: &'a [u8],
}

impl<'a> Notes<'a> {
    #[inline]
    fn front(&mut self) -> Option<(u32, u16, &'a [u8])> {
        let kind = take_number(&mut self.rest)? as u32;
        let flags = take_number(&mut self.rest)? as u16;
        let units = *take(&mut self.rest, 1)?.first()?;
        Some((kind, flags, take(&mut self.rest, 2 * usize::from(units))?))
    }
}

impl<'a> Iterator for Notes<'a> {
    type Item = Note<'a>;

    // Into the loops over it: what it makes is taken apart there at once.
    #[inline(always)]
    fn next(&mut self) -> Option<Note<'a>> {
        let tag = *take(&mut self.rest, 1)?.first()?;
        Some(match tag {
            1 => {
                let created = u64_at(take(&mut self.rest, 8)?, 0)?;
                let mut times = [created; 4];
                for time in times.iter_mut().skip(1) {
                    let zigzag = take_number(&mut self.rest)?;
                    let delta = (zigzag >> 1) ^ (zigzag & 1).wrapping_neg();
                    *time = created.wrapping_add(delta);
                }
                Note::Standard {
                    times,
                    flags: take_number(&mut self.rest)? as u32,
                }
            }
            2 => {
                let (kind, flags, name) = self.front()?;
                let unit = *take(&mut self.rest, 1)?.first()?;
                let first = take_number(&mut self.rest)?;
                let clusters = take_number(&mut self.rest)?;
                let sizes = match take(&mut self.rest, 1)?.first()? {
                    0 => None,
                    _ => Some([
                        take_number(&mut self.rest)?,
                        take_number(&mut self.rest)?,
                        take_number(&mut self.rest)?,
                    ]),
                };
                let bytes = take_number(&mut self.rest)? as usize;
                Note::Part {
                    kind,
                    name,
                    flags,
                    unit,
                    first,
                    clusters,
                    sizes,
                    list: take(&mut self.rest, bytes)?,
                }
            }
            3 | 4 => {
                let (kind, flags, name) = self.front()?;
                let bytes = take_number(&mut self.rest)?;
                Note::Resident {
                    kind,
                    name,
                    flags,
                    bytes,
                    value: if tag == 4 {
                        Some(take(&mut self.rest, bytes as usize)?)
                    } else {
                        None
                    },
                }
            }
            5 => Note::Listed(take_number(&mut self.rest)?),
            6 => Note::ListBroken,
            9 => Note::Short,
            7 | 8 => {
                let number = take_number(&mut self.rest)?;
                let sequence = take_number(&mut self.rest)?;
                let space = *take(&mut self.rest, 1)?.first()?;
                let length = usize::from(*take(&mut self.rest, 1)?.first()?);
                let narrow = tag == 8;
                Note::Name {
                    parent: sequence << 48 | number,
                    space,
                    units: take(&mut self.rest, if narrow { length } else { 2 * length })?,
                    narrow,
                }
            }
            _ => return None,
        })
    }
}
