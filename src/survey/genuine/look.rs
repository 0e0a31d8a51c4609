//! Looking into a file's bytes at any place, with one buffer.

use crate::port::Fault;

/// Reads at a place into a buffer; 0 = the end.
pub type Read<'a> = &'a mut dyn FnMut(u64, &mut [u8]) -> Result<usize, Fault>;

/// A file's bytes.
pub struct Look<'a> {
    bytes: u64,
    read: Read<'a>,
    block: &'a mut [u8],
    /// What stands in `block`: from where, and how many.
    held: (u64, usize),
}

impl<'a> Look<'a> {
    /// A file of `bytes` bytes; `block` is work space of 128 KiB or more.
    pub fn new(bytes: u64, read: Read<'a>, block: &'a mut [u8]) -> Self {
        Self {
            bytes,
            read,
            block,
            held: (0, 0),
        }
    }

    /// Length of the file.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Fills the block from `at` on; the bytes there, fewer at the end.
    fn fill(&mut self, at: u64) -> Result<&[u8], Fault> {
        // On page borders reads can bypass the page cache as they are.
        let from = at - at % 4096;
        let (held, count) = self.held;
        let end = held.saturating_add(count as u64);
        let is_held = at >= held && at < end && (count == self.block.len() || end >= self.bytes);
        if !is_held || from != held {
            let mut have = 0usize;
            while let Some(rest) = self.block.get_mut(have..).filter(|rest| !rest.is_empty()) {
                let got = (self.read)(from.saturating_add(have as u64), rest)?;
                if got == 0 {
                    break;
                }
                have = have.saturating_add(got.min(rest.len()));
                if from.saturating_add(have as u64) >= self.bytes {
                    break;
                }
            }
            self.held = (from, have);
        }
        let (held, count) = self.held;
        let skip = usize::try_from(at - held).unwrap_or(usize::MAX);
        Ok(self.block.get(skip..count).unwrap_or_default())
    }

    /// Up to `count` bytes at `at`; fewer at the end.
    pub fn at(&mut self, at: u64, count: usize) -> Result<Vec<u8>, Fault> {
        let mut out = Vec::with_capacity(count.min(1 << 17));
        while out.len() < count {
            let here = at.saturating_add(out.len() as u64);
            if here >= self.bytes {
                break;
            }
            // A small piece that is held already is no reason to read again.
            let (held, have) = self.held;
            let end = held.saturating_add(have as u64);
            let missing = count - out.len();
            let part: &[u8] = if here >= held && here.saturating_add(missing as u64) <= end {
                let skip = usize::try_from(here - held).unwrap_or(usize::MAX);
                self.block.get(skip..have).unwrap_or_default()
            } else {
                self.fill(here)?
            };
            if part.is_empty() {
                break;
            }
            out.extend_from_slice(part.get(..missing.min(part.len())).unwrap_or_default());
        }
        Ok(out)
    }

    /// Calls `see` with the bytes from `from` up to `to`, piece by piece, until it answers `false`.
    fn each(
        &mut self,
        from: u64,
        to: u64,
        see: &mut dyn FnMut(u64, &[u8]) -> bool,
    ) -> Result<(), Fault> {
        let to = to.min(self.bytes);
        let mut at = from;
        while at < to {
            let part = self.fill(at)?;
            let wanted = usize::try_from(to - at)
                .unwrap_or(usize::MAX)
                .min(part.len());
            let part = part.get(..wanted).unwrap_or_default();
            if part.is_empty() || !see(at, part) {
                return Ok(());
            }
            at = at.saturating_add(part.len() as u64);
        }
        Ok(())
    }

    /// Where the pattern (at most 16 bytes) stands first between `from` and `to`.
    pub fn find(&mut self, from: u64, to: u64, pattern: &[u8]) -> Result<Option<u64>, Fault> {
        let (mut found, mut before): (Option<u64>, Vec<u8>) = (None, Vec::new());
        let keep = pattern.len().saturating_sub(1);
        self.each(from, to, &mut |at, part| {
            // The last bytes of the piece before may hold the pattern's beginning.
            let seam = [
                before.as_slice(),
                part.get(..keep.min(part.len())).unwrap_or_default(),
            ]
            .concat();
            let in_seam = seam.windows(pattern.len()).position(|here| here == pattern);
            found = match in_seam {
                Some(place) => Some(
                    at.saturating_sub(before.len() as u64)
                        .saturating_add(place as u64),
                ),
                None => part
                    .windows(pattern.len())
                    .position(|here| here == pattern)
                    .map(|place| at.saturating_add(place as u64)),
            };
            before = part
                .get(part.len().saturating_sub(keep)..)
                .unwrap_or_default()
                .to_vec();
            found.is_none()
        })?;
        Ok(found)
    }

    /// CRC-32 of so many bytes from `at` on.
    pub fn crc32(&mut self, at: u64, bytes: u64) -> Result<u32, Fault> {
        let mut hasher = crc32fast::Hasher::new();
        self.each(at, at.saturating_add(bytes), &mut |_, part| {
            hasher.update(part);
            true
        })?;
        Ok(hasher.finalize())
    }

    /// The one byte that the whole file repeats, if it does.
    pub fn one_byte(&mut self) -> Result<Option<u8>, Fault> {
        let mut same = None;
        self.each(0, self.bytes, &mut |_, part| {
            let Some(first) = part.first() else {
                return false;
            };
            let is_same = same.is_none_or(|(byte, _)| byte == *first)
                && part.iter().all(|byte| byte == first);
            let so_far = same.map_or(0, |(_, count)| count);
            same = is_same.then_some((*first, part.len() as u64 + so_far));
            is_same
        })?;
        Ok(same
            .filter(|(_, count)| *count == self.bytes)
            .map(|(byte, _)| byte))
    }

    /// How many zeros the file ends with.
    pub fn trailing_zeros(&mut self) -> Result<u64, Fault> {
        let step = (self.block.len() as u64 / 4096 * 4096).max(4096);
        let mut end = self.bytes;
        while end > 0 {
            let from = (end - 1) / step * step;
            let count = usize::try_from(end - from).unwrap_or(0);
            let part = self.fill(from)?;
            let part = part.get(..count.min(part.len())).unwrap_or_default();
            if part.is_empty() {
                break;
            }
            if let Some(last) = part.iter().rposition(|byte| *byte != 0) {
                return Ok(self.bytes - (from + last as u64 + 1));
            }
            end = from;
        }
        Ok(self.bytes - end)
    }
}
