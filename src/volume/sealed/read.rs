//! Reading a sealed part: whole sectors, each against its checksum, from whichever copy is proven; then unpacking.
//!
//! Invariant: what comes out was proven, or is zeros and named.

use super::{Packing, Sealed, SumsAt};
use crate::port::{Fault, Sectors};
use crate::volume::stored::{Missing, Narrow, Ranges, push_range, read_narrowing};
use crate::volume::unpack::UnpackError;

/// Bytes that one packed extent is read and unpacked from, or to, at most: eight times what Btrfs makes of one.
pub(super) const MOST: u64 = 1 << 20;

/// Sectors as they were read.
struct Window {
    bytes: Vec<u8>,
    /// What the drive refused, and what is not proven, in bytes from the start of the extent.
    refused: Ranges,
    unproven: Ranges,
}

impl Sealed {
    /// Reads bytes of the part from `into` on; ranges in `missing` count from `here`, which stands for `into`.
    ///
    /// # Errors
    /// Faults that are no refusals.
    pub fn read(
        &self,
        sectors: &dyn Sectors,
        into: u64,
        buf: &mut [u8],
        narrow: Narrow,
        here: u64,
        missing: &mut Missing,
    ) -> Result<(), Fault> {
        let first = self.from.saturating_add(into);
        if self.packing != Packing::None {
            return self.unpack(sectors, first, buf, narrow, here, missing);
        }
        let sector = self.sector();
        let last = first.saturating_add(buf.len() as u64);
        let (from, to) = (
            first / sector * sector,
            last.div_ceil(sector)
                .saturating_mul(sector)
                .min(self.stored_bytes),
        );
        let window = self.window(sectors, from, to, narrow)?;
        let skip = usize::try_from(first - from).unwrap_or(usize::MAX);
        let there = skip
            .checked_add(buf.len())
            .and_then(|end| window.bytes.get(skip..end));
        let Some(there) = there else {
            buf.fill(0);
            push_range(&mut missing.ranges, here, buf.len() as u64);
            return Ok(());
        };
        buf.copy_from_slice(there);
        let cut = |ranges: &Ranges, out: &mut Ranges| {
            for (at, bytes) in ranges {
                let (a, b) = ((*at).max(first), at.saturating_add(*bytes).min(last));
                if a < b {
                    push_range(out, here.saturating_add(a - first), b - a);
                }
            }
        };
        cut(&window.refused, &mut missing.refused);
        let mut all = window.refused;
        if !window.unproven.is_empty() {
            missing.why.get_or_insert(UnpackError::Checksum);
            all.extend(window.unproven);
            all.sort_unstable();
        }
        cut(&all, &mut missing.ranges);
        Ok(())
    }

    fn unpack(
        &self,
        sectors: &dyn Sectors,
        first: u64,
        buf: &mut [u8],
        narrow: Narrow,
        here: u64,
        missing: &mut Missing,
    ) -> Result<(), Fault> {
        let mut lose = |buf: &mut [u8], why: Option<UnpackError>| {
            buf.fill(0);
            push_range(&mut missing.ranges, here, buf.len() as u64);
            if let Some(why) = why {
                missing.why.get_or_insert(why);
            }
        };
        let plain_bytes = usize::try_from(self.plain_bytes).unwrap_or(usize::MAX);
        if self.stored_bytes > MOST || self.plain_bytes > MOST {
            lose(buf, Some(UnpackError::TooLong));
            return Ok(());
        }
        let window = self.window(sectors, 0, self.stored_bytes, narrow)?;
        if !window.refused.is_empty() {
            push_range(&mut missing.refused, here, buf.len() as u64);
            push_range(&mut missing.ranges, here, buf.len() as u64);
            buf.fill(0);
            return Ok(());
        }
        if !window.unproven.is_empty() {
            lose(buf, Some(UnpackError::Checksum));
            return Ok(());
        }
        let sector = usize::try_from(self.sector()).unwrap_or(512);
        let plain = self
            .packing
            .unpack(window.bytes, plain_bytes, sector, sector - 1);
        let from = usize::try_from(first).unwrap_or(usize::MAX);
        let part = plain.as_ref().map(|plain| {
            from.checked_add(buf.len())
                .and_then(|to| plain.get(from..to))
        });
        match part {
            Ok(Some(part)) => buf.copy_from_slice(part),
            Ok(None) => lose(buf, None),
            Err(why) => lose(buf, Some(*why)),
        }
        Ok(())
    }

    /// Reads whole sectors of the extent from `from` to `to`, from whichever copy is proven.
    fn window(
        &self,
        sectors: &dyn Sectors,
        from: u64,
        to: u64,
        narrow: Narrow,
    ) -> Result<Window, Fault> {
        let sector = self.sector();
        let count = to.saturating_sub(from) / sector;
        let mut bytes = vec![0u8; usize::try_from(count * sector).unwrap_or(0)];
        let sums = self.sums(sectors, from / sector, count)?;
        let mut state = self.pass(
            sectors,
            self.at.saturating_add(from),
            &mut bytes,
            sums.as_deref(),
            narrow,
        )?;
        if let Some(copy) = self.copy
            && state.contains(&State::Refused) | state.contains(&State::Unproven)
        {
            let mut other = vec![0u8; bytes.len()];
            let second = self.pass(
                sectors,
                copy.saturating_add(from),
                &mut other,
                sums.as_deref(),
                narrow,
            )?;
            let size = usize::try_from(sector).unwrap_or(1);
            let pairs = state
                .iter_mut()
                .zip(&second)
                .zip(bytes.chunks_mut(size).zip(other.chunks(size)));
            for ((own, other), (into, from)) in pairs {
                if *other < *own {
                    *own = *other;
                    into.copy_from_slice(from);
                }
            }
        }
        let (mut refused, mut unproven) = (Ranges::new(), Ranges::new());
        for (index, state) in state.iter().enumerate() {
            let at = from.saturating_add((index as u64).saturating_mul(sector));
            match state {
                State::Proven => {}
                State::Unproven => push_range(&mut unproven, at, sector),
                State::Refused => push_range(&mut refused, at, sector),
            }
        }
        Ok(Window {
            bytes,
            refused,
            unproven,
        })
    }

    /// Reads one copy and tells what each of its sectors is worth.
    fn pass(
        &self,
        sectors: &dyn Sectors,
        at: u64,
        bytes: &mut [u8],
        sums: Option<&[u8]>,
        narrow: Narrow,
    ) -> Result<Vec<State>, Fault> {
        let mut refused = Ranges::new();
        let finest_bytes = narrow
            .finest_bytes
            .max(self.sector_bytes.clamp(512, 65_536));
        read_narrowing(
            sectors,
            at,
            bytes,
            Narrow {
                finest_bytes,
                ..narrow
            },
            &mut refused,
        )?;
        let size = usize::try_from(self.sector()).unwrap_or(1);
        let mut out = Vec::with_capacity(bytes.len() / size);
        for (index, raw) in bytes.chunks_mut(size).enumerate() {
            let first = at.saturating_add((index * size) as u64);
            let end = first.saturating_add(size as u64);
            if refused
                .iter()
                .any(|(from, n)| *from < end && from.saturating_add(*n) > first)
            {
                raw.fill(0);
                out.push(State::Refused);
                continue;
            }
            let proven = match (&self.seal, sums) {
                (None, _) => true,
                (Some(_), None) => false,
                (Some(seal), Some(sums)) => {
                    let wide = seal.sum.bytes();
                    let said = sums.get(index * wide..(index + 1) * wide);
                    said.is_some_and(|said| seal.sum.matches(raw, said))
                }
            };
            out.push(if proven {
                State::Proven
            } else {
                raw.fill(0);
                State::Unproven
            });
        }
        Ok(out)
    }

    /// The checksums of `count` sectors from sector `first` on; `None` = there are none, or they cannot be read.
    fn sums(
        &self,
        sectors: &dyn Sectors,
        first: u64,
        count: u64,
    ) -> Result<Option<Vec<u8>>, Fault> {
        let Some(seal) = &self.seal else {
            return Ok(None);
        };
        let wide = seal.sum.bytes() as u64;
        let mut out = Vec::new();
        let (mut here, end) = (0u64, first.saturating_add(count));
        for place in &seal.places {
            let n = place.sectors(wide);
            let (a, b) = (first.max(here), end.min(here.saturating_add(n)));
            if a < b {
                let (from, bytes) = (
                    (a - here) * wide,
                    usize::try_from((b - a) * wide).unwrap_or(0),
                );
                match place {
                    SumsAt::Held(held) => {
                        let from = usize::try_from(from).unwrap_or(usize::MAX);
                        out.extend_from_slice(
                            held.get(from..from.saturating_add(bytes))
                                .unwrap_or_default(),
                        );
                    }
                    SumsAt::Drive { at, .. } => {
                        let mut read = vec![0u8; bytes];
                        let mut refused = Ranges::new();
                        read_narrowing(
                            sectors,
                            at.saturating_add(from),
                            &mut read,
                            Narrow::default(),
                            &mut refused,
                        )?;
                        if !refused.is_empty() {
                            return Ok(None);
                        }
                        out.extend_from_slice(&read);
                    }
                }
            }
            here = here.saturating_add(n);
        }
        Ok((out.len() as u64 == count * wide).then_some(out))
    }
}

/// What a sector is worth; the better, the smaller.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum State {
    /// As its checksum says, or there is none.
    Proven,
    /// Read, but its checksum does not fit.
    Unproven,
    /// Not to be had.
    Refused,
}
