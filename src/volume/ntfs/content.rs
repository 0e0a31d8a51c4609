//! What one stream's bytes are: its layout, its marks, and why there may be none.
//!
//! Invariant: judged by tag *and* runs, never by file attributes alone; what is not understood has
//! no content, what is contradicted is damaged, and so is what could be decoded but not proven.

use super::gather::{Gathered, Source, Stream, lost};
use super::pieces::Laid;
use super::raw::is_ascii;
use super::record::kind;
use super::reparse::{Meaning, WOF_STREAM};
use super::table::Window;
use crate::port::Fault;
use crate::survey::item::{Mark, Marks};
use crate::volume::filesystem::NoContent;
use crate::volume::layout::{Coding, Layout, Piece};

/// A stream, judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judged {
    /// Where its bytes are.
    pub layout: Option<Layout>,
    /// Why there are none to copy.
    pub no_content: Option<NoContent>,
    /// Marks of this stream.
    pub marks: Marks,
    /// Logical length.
    pub bytes: u64,
    /// What is wrong.
    pub trouble: Option<String>,
}

impl Judged {
    fn wrong(&mut self, says: impl Into<String>) {
        self.marks.set(Mark::Damaged);
        if self.trouble.is_none() {
            self.trouble = Some(says.into());
        }
    }
}

/// Judges a stream by itself, whatever tag the item bears.
pub fn judge(
    source: &Source<'_>,
    window: &mut Window,
    stream: &Stream<'_>,
) -> Result<Judged, Fault> {
    let mut out = as_said(source, window, stream)?;
    let ground = &source.ground;
    let room = ground.geometry.bytes().min(ground.place.bytes);
    if let Some(layout) = &mut out.layout {
        layout.lose_tail();
        let grain = match layout.coding {
            Coding::Lznt1 { unit_bytes } => unit_bytes.into(),
            _ => ground.geometry.cluster_bytes,
        };
        if let Some(said) = layout.cut_absurd(room, grain) {
            out.bytes = layout.length;
            let described = layout.described();
            out.marks.set(Mark::Damaged);
            out.trouble = Some(format!(
                "it says that it is {said} bytes long, but only {described} of them have a place on this volume"
            ));
        }
    }
    Ok(out)
}

/// The stream as its records describe it.
fn as_said(source: &Source<'_>, window: &mut Window, stream: &Stream<'_>) -> Result<Judged, Fault> {
    let mut out = Judged {
        layout: None,
        no_content: None,
        marks: Marks::default(),
        bytes: 0,
        trouble: None,
    };
    if stream.flags & 0x4000 != 0 {
        out.marks.set(Mark::Efs);
        out.no_content = Some(NoContent::Encrypted);
    }
    if stream.contradicted {
        out.bytes = stream
            .sizes
            .map(|[_, real, _]| real)
            .into_iter()
            .chain(stream.resident.map(|(_, bytes, _)| bytes))
            .max()
            .unwrap_or(0);
        out.wrong("two records contradict each other about it");
        out.layout = Some(plain(lost(out.bytes), out.bytes, out.bytes));
        return Ok(out);
    }
    if let Some((_, bytes, _)) = stream.resident {
        out.bytes = bytes;
        out.marks.set(Mark::Resident);
        let pieces = match source.resident(window, stream)? {
            Ok(value) if value.len() as u64 == bytes => {
                if value.is_empty() {
                    Vec::new()
                } else {
                    vec![Piece::Inline(value)]
                }
            }
            Ok(_) => {
                out.wrong("its record changed between two reads");
                lost(bytes)
            }
            Err(why) => {
                out.marks.set(Mark::Unreadable);
                out.wrong(why);
                lost(bytes)
            }
        };
        out.layout = Some(plain(pieces, bytes, bytes));
        return Ok(out);
    }
    let Some([allocated, real, initialised]) = stream.sizes else {
        let laid = source.laid(stream);
        out.bytes = laid.bytes;
        out.wrong("the part with its length is missing");
        out.layout = Some(plain(lost(laid.bytes), laid.bytes, laid.bytes));
        return Ok(out);
    };
    out.bytes = real;
    if real > i64::MAX as u64 {
        out.wrong(format!("impossible length {real}"));
        out.layout = Some(plain(lost(real), real, real));
        return Ok(out);
    }
    let mut laid = source.laid(stream);
    let unit_bytes = source
        .ground
        .geometry
        .cluster_bytes
        .checked_shl(stream.unit.into())
        .filter(|_| stream.unit < 16)
        .and_then(|bytes| u32::try_from(bytes).ok());
    let coding = match (stream.flags & 0x00FF, stream.unit, unit_bytes) {
        (0, ..) => Coding::Plain,
        // Units of 16 clusters of at most 4 KiB; other units were never written by anybody.
        (1, 4, Some(unit_bytes)) if unit_bytes <= 1 << 16 => {
            out.marks.set(Mark::Compressed);
            Coding::Lznt1 { unit_bytes }
        }
        _ => {
            out.marks.set(Mark::Compressed);
            out.no_content = out.no_content.or(Some(NoContent::UnknownForm));
            out.wrong(format!(
                "compressed in a form that is not known (flags {:#06x}, unit {})",
                stream.flags, stream.unit
            ));
            Coding::Plain
        }
    };
    if stream.flags & 0x8000 != 0 || (laid.holes && coding == Coding::Plain) {
        out.marks.set(Mark::Sparse);
    }
    let covered = laid.bytes;
    match coding {
        Coding::Lznt1 { unit_bytes } => {
            // Whole units, so that the reader sees which are stored plain.
            let units = real.div_ceil(unit_bytes.into());
            laid.fit(units.saturating_mul(unit_bytes.into()));
        }
        _ => laid.fit(real),
    }
    if let Some(trouble) = laid.trouble.take() {
        out.wrong(trouble);
    } else if allocated != covered || initialised > real {
        // Every byte is found, but the sizes contradict one another.
        out.wrong(format!(
            "its sizes contradict each other (allocated {allocated}, covered {covered}, length {real}, written {initialised})"
        ));
    }
    out.layout = Some(Layout {
        pieces: laid.pieces,
        coding,
        length: real,
        valid: initialised.min(real),
    });
    Ok(out)
}

fn plain(pieces: Vec<Piece>, length: u64, valid: u64) -> Layout {
    Layout {
        pieces,
        coding: Coding::Plain,
        length,
        valid,
    }
}

/// Whether every byte of the stream is really there, written, and not a hole. In a compressed stream the rest of each unit
/// is a hole; there every unit has to have something stored.
fn all_here(judged: &Judged) -> bool {
    let Some(layout) = &judged.layout else {
        return judged.bytes == 0;
    };
    let stored = |piece: &Piece| matches!(piece, Piece::Extent { .. } | Piece::Inline(_));
    let holes = match layout.coding {
        Coding::Lznt1 { unit_bytes } => {
            let unit = u64::from(unit_bytes.max(1));
            let (mut at, mut next) = (0u64, 0u64);
            for piece in &layout.pieces {
                let end = at.saturating_add(piece.bytes());
                if stored(piece) && end > at {
                    if at / unit > next {
                        break;
                    }
                    next = next.max(end.div_ceil(unit));
                }
                at = end;
            }
            next < layout.length.div_ceil(unit)
                || layout
                    .pieces
                    .iter()
                    .any(|p| matches!(p, Piece::Lost { .. }))
        }
        _ => !layout.pieces.iter().all(stored),
    };
    judged.bytes == 0 || (layout.valid >= layout.length && !holes)
}

/// Whether the attributes of an item without a tag say that its content is elsewhere (MS-FSCC 2.6): offline or recalled on
/// access. The bit of "recalled on open" stands for extended attributes too; it counts only where there are none and nothing is stored.
pub fn recalled(gathered: &Gathered<'_>, own: &Judged) -> bool {
    const OFFLINE: u32 = 0x0000_1000;
    const ON_OPEN: u32 = 0x0004_0000;
    const ON_ACCESS: u32 = 0x0040_0000;
    let stored = own.layout.as_ref().map_or(0, Layout::stored_bytes);
    gathered.attributes & (OFFLINE | ON_ACCESS) != 0
        || gathered.attributes & ON_OPEN != 0 && !gathered.extended && stored == 0
}

/// What is said of content in a form for which there is no foreign sample to compare with.
pub const UNPROVEN: &str = "compressed with LZX: decoded here, but never compared with what Windows itself makes of such a file; open it and look";

/// Judges the unnamed stream of an item with a tag.
pub fn with_tag(
    source: &Source<'_>,
    window: &mut Window,
    gathered: &Gathered<'_>,
    mut own: Judged,
    meaning: &Meaning,
) -> Result<Judged, Fault> {
    match meaning {
        Meaning::Junction(_) => {
            own.marks.set(Mark::Junction);
            own.no_content = Some(NoContent::Link);
        }
        Meaning::Link(_) => own.no_content = Some(NoContent::Link),
        // By tag and runs: such an item holds nothing, and what holds something is content.
        Meaning::Special => {
            if own
                .layout
                .as_ref()
                .is_none_or(|layout| layout.stored_bytes() == 0)
            {
                own.no_content = Some(NoContent::Special);
            }
        }
        Meaning::Deduplicated => {
            own.marks.set(Mark::Deduplicated);
            if !all_here(&own) {
                own.layout = None;
                own.no_content = Some(NoContent::Deduplicated);
            }
        }
        Meaning::Elsewhere => {
            if !all_here(&own) {
                own.marks.set(Mark::Placeholder);
                // The layout stays: it tells how much of the content is on the drive all the same.
                own.layout = own.layout.filter(|layout| layout.stored_bytes() > 0);
                own.no_content = Some(NoContent::Placeholder);
            }
        }
        Meaning::Unknown => {
            own.marks.set(Mark::UnknownTag);
            own.no_content = Some(NoContent::UnknownTag);
        }
        Meaning::System(coding) => return system(source, window, gathered, own, *coding),
    }
    Ok(own)
}

/// A file compressed by the system: the packed stream stands in for the unnamed one.
fn system(
    source: &Source<'_>,
    window: &mut Window,
    gathered: &Gathered<'_>,
    mut own: Judged,
    coding: Option<Coding>,
) -> Result<Judged, Fault> {
    own.marks.set(Mark::SystemCompressed);
    let Some(coding) = coding else {
        own.layout = None;
        own.no_content = Some(NoContent::UnknownForm);
        return Ok(own);
    };
    let length = own.bytes;
    if length == 0 {
        return Ok(own);
    }
    // The hole that the unnamed stream is made of is no sparse content.
    let mut marks = Marks::default();
    for mark in own.marks.list() {
        if mark != Mark::Sparse {
            marks.set(mark);
        }
    }
    own.marks = marks;
    let packed = gathered
        .streams
        .iter()
        .find(|stream| stream.kind == kind::DATA && is_ascii(stream.name, WOF_STREAM));
    let Some(packed) = packed else {
        own.wrong("its compressed content is missing");
        own.layout = Some(plain(lost(length), length, length));
        return Ok(own);
    };
    let packed = judge(source, window, packed)?;
    if let Some(why) = packed.no_content {
        own.no_content = Some(why);
    }
    if let Some(trouble) = packed.trouble {
        own.wrong(trouble);
    }
    let mut laid = Laid::default();
    match packed.layout {
        Some(Layout {
            pieces,
            coding: Coding::Plain,
            valid,
            length: stored,
        }) => {
            laid.bytes = stored;
            laid.pieces = pieces;
            if valid < stored {
                // Packed bytes that were never written are no packed bytes.
                own.wrong("its compressed content was not written to the end");
                laid.fit(valid);
            }
        }
        _ => own.wrong("its compressed content is itself in a form that is not known"),
    }
    // A table in front of the chunks names each but the first with at least four bytes.
    let chunk = match coding {
        Coding::Xpress { chunk_bytes } => u64::from(chunk_bytes.max(1)),
        _ => 32 << 10,
    };
    let names = (laid.bytes / 4).saturating_add(1).saturating_mul(chunk);
    let grain = source.ground.geometry.cluster_bytes;
    if length > names && length > source.ground.geometry.bytes() {
        own.wrong(format!(
            "it says that it is {length} bytes long, but its compressed content cannot hold more than {names}"
        ));
        own.bytes = grain;
        own.layout = Some(plain(lost(grain), grain, grain));
        return Ok(own);
    }
    own.layout = Some(Layout {
        pieces: laid.pieces,
        coding,
        length,
        valid: length,
    });
    if coding == Coding::Lzx {
        own.wrong(UNPROVEN);
    }
    Ok(own)
}
