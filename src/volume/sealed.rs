//! Content that is packed by itself, or that the file system keeps checksums of: a part of one extent.
//!
//! Invariant: a byte that is not named in `missing` was proven by its checksum, where there is one. A sector whose checksum
//! does not fit is zeros and named, like one that was refused: every later reading of a copy counts on zeros in its gaps. What
//! cannot be unpacked is missing as a whole, since nothing of it can be told from a part.

use super::layout::Reader;
use super::stored::{Missing, Narrow, Ranges, push_range, read_narrowing};
use super::sums::Sum;
use super::unpack::{UnpackError, lzo, zlib, zstd};
use crate::port::{Fault, Sectors};

/// How an extent is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Packing {
    /// It is not.
    None,
    /// One stream of RFC 1950.
    Zlib,
    /// Segments of LZO1X, one for each sector.
    Lzo,
    /// One frame of RFC 8878.
    Zstd,
}

impl Packing {
    /// As Btrfs and the ledger number them; `None` = unknown.
    pub fn from_code(code: u8) -> Option<Self> {
        [Self::None, Self::Zlib, Self::Lzo, Self::Zstd]
            .get(usize::from(code))
            .copied()
    }

    /// The number of [`Packing::from_code`].
    pub fn code(self) -> u8 {
        self as u8
    }

    /// Unpacks an extent of `plain_bytes` bytes. They are whole sectors, and what was packed may end within the last one: behind
    /// it are zeros. `slack` is how many bytes these can be.
    ///
    /// # Errors
    /// Whatever is not packed so, or unpacks to another length.
    pub fn unpack(
        self,
        packed: Vec<u8>,
        plain_bytes: usize,
        sector_bytes: usize,
        slack: usize,
    ) -> Result<Vec<u8>, UnpackError> {
        let mut plain = match self {
            Self::None => packed,
            Self::Zlib => zlib::unpack(&packed, plain_bytes)?,
            Self::Lzo => lzo::unpack(&packed, plain_bytes, sector_bytes)?,
            Self::Zstd => zstd::unpack(&packed, plain_bytes)?,
        };
        let missing = plain_bytes
            .checked_sub(plain.len())
            .filter(|missing| *missing <= slack);
        if missing.is_none() {
            return Err(UnpackError::Length {
                expected: plain_bytes,
                found: plain.len(),
            });
        }
        plain.resize(plain_bytes, 0);
        Ok(plain)
    }
}

/// Where checksums of neighbouring sectors lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SumsAt {
    /// On the drive.
    Drive {
        /// First byte, counted from the start of the drive.
        at: u64,
        /// Sectors that they stand for.
        sectors: u32,
    },
    /// Here.
    Held(Vec<u8>),
}

/// The checksums of an extent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// Which kind.
    pub sum: Sum,
    /// Where they lie, in order, from the first sector of the extent on.
    pub places: Vec<SumsAt>,
}

/// A part of an extent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sealed {
    /// First byte of the extent, counted from the start of the drive.
    pub at: u64,
    /// Its second copy, if there is one.
    pub copy: Option<u64>,
    /// Bytes of it on the drive: whole sectors.
    pub stored_bytes: u64,
    /// Bytes of one sector.
    pub sector_bytes: u32,
    /// How it is packed.
    pub packing: Packing,
    /// Bytes that it unpacks to; as many as are stored where it is not packed.
    pub plain_bytes: u64,
    /// First byte of the part within what it unpacks to.
    pub from: u64,
    /// Bytes of the part.
    pub bytes: u64,
    /// Its checksums; `None` = the file system keeps none of it.
    pub seal: Option<Seal>,
}

/// Bytes that one packed extent is read and unpacked from, or to, at most: eight times what Btrfs makes of one.
const MOST: u64 = 1 << 20;

/// Sectors as they were read.
struct Window {
    bytes: Vec<u8>,
    /// What the drive refused, and what is not proven, in bytes from the start of the extent.
    refused: Ranges,
    unproven: Ranges,
}

impl Sealed {
    fn sector(&self) -> u64 {
        u64::from(self.sector_bytes.clamp(512, 65_536))
    }

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

    /// The bytes of the drive that logical bytes of the part are read from, with what proves them.
    pub fn on_drive(&self, from: u64, bytes: u64) -> Vec<(u64, u64)> {
        let sector = self.sector();
        let first = self.from.saturating_add(from);
        let (a, b) = match self.packing {
            Packing::None => (
                first / sector,
                first
                    .saturating_add(bytes)
                    .min(self.stored_bytes)
                    .div_ceil(sector),
            ),
            _ => (0, self.stored_bytes / sector),
        };
        let mut out = vec![(
            self.at.saturating_add(a.saturating_mul(sector)),
            b.saturating_sub(a).saturating_mul(sector),
        )];
        if let Some(seal) = &self.seal {
            let wide = seal.sum.bytes() as u64;
            let mut here = 0u64;
            for place in &seal.places {
                let n = place.sectors(wide);
                let (x, y) = (a.max(here), b.min(here.saturating_add(n)));
                if let SumsAt::Drive { at, .. } = place
                    && x < y
                {
                    out.push((at.saturating_add((x - here) * wide), (y - x) * wide));
                }
                here = here.saturating_add(n);
            }
        }
        out
    }

    /// A compact form for the ledger.
    pub fn to_bytes(&self, out: &mut Vec<u8>) {
        out.push(self.packing.code());
        for number in [
            self.at,
            self.copy.unwrap_or(u64::MAX),
            self.stored_bytes,
            self.plain_bytes,
            self.from,
            self.bytes,
        ] {
            out.extend_from_slice(&number.to_le_bytes());
        }
        out.extend_from_slice(&self.sector_bytes.to_le_bytes());
        let Some(seal) = &self.seal else {
            out.extend_from_slice(&u16::MAX.to_le_bytes());
            return;
        };
        out.extend_from_slice(&seal.sum.code().to_le_bytes());
        out.extend_from_slice(&(seal.places.len() as u64).to_le_bytes());
        for place in &seal.places {
            match place {
                SumsAt::Drive { at, sectors } => {
                    out.push(0);
                    out.extend_from_slice(&at.to_le_bytes());
                    out.extend_from_slice(&u64::from(*sectors).to_le_bytes());
                }
                SumsAt::Held(held) => {
                    out.push(1);
                    out.extend_from_slice(&(held.len() as u64).to_le_bytes());
                    out.extend_from_slice(held);
                }
            }
        }
    }

    /// Reads [`Sealed::to_bytes`] back; `None` for anything else.
    pub fn from_bytes(rest: &mut Reader<'_>) -> Option<Self> {
        let packing = Packing::from_code(rest.byte()?)?;
        let [at, copy, stored_bytes, plain_bytes, from, bytes] = [
            rest.number()?,
            rest.number()?,
            rest.number()?,
            rest.number()?,
            rest.number()?,
            rest.number()?,
        ];
        let sector_bytes = u32::from_le_bytes(rest.array()?);
        let seal = match u16::from_le_bytes(rest.array()?) {
            u16::MAX => None,
            code => {
                let sum = Sum::from_code(code)?;
                let mut places = Vec::new();
                for _ in 0..rest.number()? {
                    places.push(match rest.byte()? {
                        0 => SumsAt::Drive {
                            at: rest.number()?,
                            sectors: u32::try_from(rest.number()?).ok()?,
                        },
                        1 => {
                            let bytes = usize::try_from(rest.number()?).ok()?;
                            SumsAt::Held(rest.take(bytes)?.to_vec())
                        }
                        _ => return None,
                    });
                }
                Some(Seal { sum, places })
            }
        };
        Some(Self {
            at,
            copy: (copy != u64::MAX).then_some(copy),
            stored_bytes,
            sector_bytes,
            packing,
            plain_bytes,
            from,
            bytes,
            seal,
        })
    }
}

impl SumsAt {
    fn sectors(&self, wide: u64) -> u64 {
        match self {
            Self::Drive { sectors, .. } => u64::from(*sectors),
            Self::Held(held) => held.len() as u64 / wide.max(1),
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::volume::bytes::Image;
    use crate::volume::layout::Piece;
    use crate::volume::stored::Stored;
    use proptest::prelude::*;

    const SECTOR: u64 = 4096;

    /// A drive of `sectors` sectors at 1 MiB, their copies at 2 MiB, and their checksums at 512 and in memory, half each.
    fn drive(sectors: u64) -> (Image, Sealed) {
        let mut bytes: Vec<u8> = (0..3u32 << 20).map(|at| (at ^ (at >> 9)) as u8).collect();
        let mut sums = Vec::new();
        for sector in 0..sectors {
            let from = ((1 << 20) + sector * SECTOR) as usize;
            let raw = bytes[from..from + SECTOR as usize].to_vec();
            sums.extend_from_slice(Sum::Crc32c.of(&raw).as_ref());
            bytes[from + (1 << 20)..][..SECTOR as usize].copy_from_slice(&raw);
        }
        let half = sums.len() / 8 * 4;
        bytes[512..512 + half].copy_from_slice(&sums[..half]);
        let places = vec![
            SumsAt::Drive {
                at: 512,
                sectors: (half / 4) as u32,
            },
            SumsAt::Held(sums[half..].to_vec()),
        ];
        let sealed = Sealed {
            at: 1 << 20,
            copy: None,
            stored_bytes: sectors * SECTOR,
            sector_bytes: SECTOR as u32,
            packing: Packing::None,
            plain_bytes: sectors * SECTOR,
            from: 0,
            bytes: sectors * SECTOR - 100,
            seal: Some(Seal {
                sum: Sum::Crc32c,
                places,
            }),
        };
        (Image::new(bytes), sealed)
    }

    fn read(image: &Image, sealed: &Sealed, at: u64, bytes: usize) -> (Vec<u8>, Missing) {
        let stored = Stored::new(vec![
            Piece::Hole { bytes: 10 },
            Piece::Sealed(Box::new(sealed.clone())),
        ]);
        let (mut buf, mut missing) = (vec![0xEE; bytes], Missing::default());
        stored
            .read_telling(image, 10 + at, &mut buf, Narrow::default(), &mut missing)
            .unwrap();
        (buf, missing)
    }

    #[test]
    fn what_a_checksum_does_not_fit_is_zeros_and_named() {
        let (mut image, sealed) = drive(6);
        let plain = image.bytes[1 << 20..][..6 * SECTOR as usize - 100].to_vec();
        assert_eq!(
            read(&image, &sealed, 0, plain.len()),
            (plain.clone(), Missing::default())
        );
        assert_eq!(
            read(&image, &sealed, 5000, 9000),
            (plain[5000..14_000].to_vec(), Missing::default())
        );
        // One bit of the fifth sector, whose checksum is held, and one of the second, whose checksum lies on the drive.
        for sector in [1u64, 4] {
            image.bytes[((1 << 20) + sector * SECTOR + 7) as usize] ^= 4;
        }
        let (bytes, missing) = read(&image, &sealed, 0, plain.len());
        assert_eq!(
            missing.ranges,
            [(10 + SECTOR, SECTOR), (10 + 4 * SECTOR, SECTOR)]
        );
        assert_eq!(
            (missing.refused, missing.why),
            (Ranges::new(), Some(UnpackError::Checksum))
        );
        let mut wanted = plain.clone();
        for sector in [1, 4] {
            wanted[sector * 4096..][..4096].fill(0);
        }
        assert_eq!(bytes, wanted);
        // Only what was asked for is named.
        let (_, missing) = read(&image, &sealed, 5000, 100);
        assert_eq!(missing.ranges, [(5010, 100)]);
        // A checksum that cannot be read proves nothing.
        image.bad.push(520..521);
        let (_, missing) = read(&image, &sealed, 2 * SECTOR, SECTOR as usize);
        assert_eq!(missing.ranges, [(10 + 2 * SECTOR, SECTOR)]);
    }

    #[test]
    fn what_is_refused_or_wrong_comes_from_the_second_copy() {
        let (mut image, mut sealed) = drive(6);
        let plain = image.bytes[1 << 20..][..6 * SECTOR as usize - 100].to_vec();
        image.bad.push((1 << 20) + 600..(1 << 20) + 601);
        image.bytes[(1 << 20) + 3 * SECTOR as usize] ^= 1;
        let (bytes, missing) = read(&image, &sealed, 0, plain.len());
        assert_eq!(missing.ranges, [(10, SECTOR), (10 + 3 * SECTOR, SECTOR)]);
        assert_eq!(missing.refused, [(10, SECTOR)]);
        assert_eq!(bytes[..SECTOR as usize], [0; SECTOR as usize]);
        sealed.copy = Some(2 << 20);
        assert_eq!(
            read(&image, &sealed, 0, plain.len()),
            (plain.clone(), Missing::default())
        );
        // A copy that is wrong too does not stand in.
        image.bytes[(2 << 20) + 3 * SECTOR as usize] ^= 2;
        let (_, missing) = read(&image, &sealed, 0, plain.len());
        assert_eq!(missing.ranges, [(10 + 3 * SECTOR, SECTOR)]);
    }

    #[test]
    fn a_packed_extent_is_had_whole_or_not_at_all() {
        let (mut image, mut sealed) = drive(2);
        let plain: Vec<u8> = (0..40_000u32).map(|at| (at / 100) as u8).collect();
        let mut encoder =
            flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
        std::io::Write::write_all(&mut encoder, &plain).unwrap();
        let packed = encoder.finish().unwrap();
        image.bytes[1 << 20..][..2 * SECTOR as usize].fill(0);
        image.bytes[1 << 20..][..packed.len()].copy_from_slice(&packed);
        sealed.packing = Packing::Zlib;
        (sealed.plain_bytes, sealed.from, sealed.bytes, sealed.seal) = (40_000, 8192, 20_000, None);
        assert_eq!(
            read(&image, &sealed, 100, 500),
            (plain[8292..8792].to_vec(), Missing::default())
        );
        assert_eq!(sealed.on_drive(100, 500), [(1 << 20, 2 * SECTOR)]);
        image.bad.push((1 << 20) + 5000..(1 << 20) + 5001);
        let (bytes, missing) = read(&image, &sealed, 100, 500);
        assert_eq!(
            (bytes, missing.ranges, missing.refused),
            (vec![0; 500], vec![(110, 500)], vec![(110, 500)])
        );
        image.bad.clear();
        image.bytes[(1 << 20) + 20] ^= 0x40;
        let (_, missing) = read(&image, &sealed, 0, 20_000);
        assert_eq!(
            (missing.ranges, missing.refused),
            (vec![(10, 20_000)], Vec::new())
        );
        assert!(missing.why.is_some());
        // Nothing is read or unpacked that no writer makes.
        sealed.plain_bytes = MOST + 1;
        assert_eq!(
            read(&image, &sealed, 0, 10).1.why,
            Some(UnpackError::TooLong)
        );
    }

    #[test]
    fn the_drive_is_asked_for_the_sectors_and_what_proves_them() {
        let (_, sealed) = drive(6);
        assert_eq!(
            sealed.on_drive(5000, 4000),
            [((1 << 20) + SECTOR, 2 * SECTOR), (516, 8)]
        );
        assert_eq!(
            sealed.on_drive(5 * SECTOR, 10),
            [((1 << 20) + 5 * SECTOR, SECTOR)]
        );
    }

    fn any_sealed() -> impl Strategy<Value = Sealed> {
        let place = prop_oneof![
            (any::<u64>(), any::<u32>()).prop_map(|(at, sectors)| SumsAt::Drive { at, sectors }),
            proptest::collection::vec(any::<u8>(), 0..40).prop_map(SumsAt::Held),
        ];
        let seal =
            (0u16..4, proptest::collection::vec(place, 0..4)).prop_map(|(code, places)| Seal {
                sum: Sum::from_code(code).unwrap(),
                places,
            });
        let numbers = (
            any::<u64>(),
            proptest::option::of(0..u64::MAX),
            any::<u64>(),
            any::<u64>(),
            any::<u64>(),
            any::<u64>(),
        );
        (numbers, any::<u32>(), 0u8..4, proptest::option::of(seal)).prop_map(
            |(numbers, sector_bytes, packing, seal)| {
                let (at, copy, stored_bytes, plain_bytes, from, bytes) = numbers;
                let packing = Packing::from_code(packing).unwrap();
                Sealed {
                    at,
                    copy,
                    stored_bytes,
                    sector_bytes,
                    packing,
                    plain_bytes,
                    from,
                    bytes,
                    seal,
                }
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn the_ledger_gives_it_back(sealed in any_sealed()) {
            let mut bytes = Vec::new();
            sealed.to_bytes(&mut bytes);
            let mut rest = Reader::new(&bytes);
            prop_assert_eq!(Sealed::from_bytes(&mut rest), Some(sealed));
            prop_assert_eq!(rest.byte(), None);
        }

        #[test]
        fn any_numbers_are_read_without_a_panic(sealed in any_sealed(), at in any::<u64>(), bytes in 0usize..9000) {
            let image = Image::new(vec![7; 64 << 10]);
            let mut sealed = sealed;
            // What a reader hands over is whole sectors.
            sealed.stored_bytes %= 1 << 20;
            let (mut buf, mut missing) = (vec![0; bytes], Missing::default());
            let _ = sealed.read(&image, at, &mut buf, Narrow::default(), 0, &mut missing);
            let _ = sealed.on_drive(at, bytes as u64);
        }
    }
}
