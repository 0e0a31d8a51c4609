//! Tests of LZX: an encoder that writes every kind of block with random codes, in the dialect read
//! here and in the dialect of cabinet files. The second dialect was given to an independent decoder
//! (the crate lzxd 0.2.7) for seeds 0 to 2999 and came out right; `the_encoder_is_still_the_one_that_was_checked`
//! holds it to that state. This pins the codes,
//! position slots, recent distances, aligned and uncompressed blocks and call translation to the
//! published format; the two changes of block header are from the description named in the module.

use super::*;
use proptest::prelude::*;

/// Which header the blocks get.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Dialect {
    /// One bit or 16 bits of block size, call translation always on.
    System,
    /// A first bit and a size of call translation, 24 bits of block size.
    Cabinet,
}

pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn below(&mut self, limit: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize) % limit.max(1)
    }
}

#[derive(Default)]
struct Writer {
    out: Vec<u8>,
    word: u32,
    used: u32,
}

impl Writer {
    fn put(&mut self, value: usize, count: u32) {
        for bit in (0..count).rev() {
            self.word = (self.word << 1) | ((value >> bit) & 1) as u32;
            self.used += 1;
            if self.used == 16 {
                self.out
                    .extend_from_slice(&(self.word as u16).to_le_bytes());
                (self.word, self.used) = (0, 0);
            }
        }
    }
    fn border(&mut self) {
        let pad = 16 - self.used;
        self.put(0, pad);
    }
    fn code(&mut self, lengths: &[u8], symbol: usize) {
        let (code, length) = codes(lengths)[symbol];
        assert!(length > 0);
        self.put(code, length);
    }
}

fn codes(lengths: &[u8]) -> Vec<(usize, u32)> {
    let mut out = vec![(0, 0); lengths.len()];
    let mut next = 0usize;
    for length in 1..=16u32 {
        next <<= 1;
        for (symbol, own) in lengths.iter().enumerate() {
            if u32::from(*own) == length {
                out[symbol] = (next, length);
                next += 1;
            }
        }
    }
    out
}

/// Random lengths of a complete code, none longer than `longest`.
fn random_code(random: &mut Random, symbols: usize, longest: u8) -> Vec<u8> {
    let mut leaves = vec![1u8, 1];
    while leaves.len() < symbols {
        let i = random.below(leaves.len());
        if leaves[i] < longest && (leaves[i] < 11 || random.below(9) == 0) {
            leaves[i] += 1;
            leaves.push(leaves[i]);
        }
    }
    for i in (1..leaves.len()).rev() {
        leaves.swap(i, random.below(i + 1));
    }
    leaves
}

fn put_deltas(random: &mut Random, w: &mut Writer, before: &[u8], now: &[u8]) {
    let own = random_code(random, 20, 15);
    for length in &own {
        w.put(usize::from(*length), 4);
    }
    let mut at = 0;
    while at < now.len() {
        let same = now[at..].iter().take_while(|l| **l == now[at]).count();
        let delta = usize::from((before[at] + 17 - now[at]) % 17);
        if now[at] == 0 && same >= 20 {
            let run = same.min(51);
            w.code(&own, 18);
            w.put(run - 20, 5);
            at += run;
        } else if now[at] == 0 && same >= 4 {
            let run = same.min(19);
            w.code(&own, 17);
            w.put(run - 4, 4);
            at += run;
        } else if same >= 4 && random.below(2) == 0 {
            let run = same.min(5);
            w.code(&own, 19);
            w.put(run - 4, 1);
            w.code(&own, delta);
            at += run;
        } else {
            w.code(&own, delta);
            at += 1;
        }
    }
}

fn translate(plain: &mut [u8]) {
    let Some(end) = plain.len().checked_sub(10) else {
        return;
    };
    let mut i = 0;
    while i < end {
        if plain[i] != 0xE8 {
            i += 1;
            continue;
        }
        let relative = i32::from_le_bytes(plain[i + 1..i + 5].try_into().unwrap());
        let position = i as i32;
        if relative >= -position && relative < CALL_SIZE {
            let absolute = if relative < CALL_SIZE - position {
                relative + position
            } else {
                relative - CALL_SIZE
            };
            plain[i + 1..i + 5].copy_from_slice(&absolute.to_le_bytes());
        }
        i += 5;
    }
}

/// Packs one chunk (at most 32 KiB) with random choices.
pub(crate) fn pack(seed: u64, plain: &[u8], dialect: Dialect) -> Vec<u8> {
    let mut random = Random(seed);
    let mut data = plain.to_vec();
    translate(&mut data);
    let mut w = Writer::default();
    if dialect == Dialect::Cabinet {
        w.put(1, 1);
        w.put(CALL_SIZE as usize >> 16, 16);
        w.put(CALL_SIZE as usize & 0xFFFF, 16);
    }
    let mut before_main = vec![0u8; MAIN];
    let mut before_lengths = vec![0u8; LENGTHS];
    let mut recent = [1usize; 3];
    let mut at = 0;
    while at < data.len() {
        let left = data.len() - at;
        let bytes = if random.below(3) == 0 {
            left
        } else {
            1 + random.below(left)
        };
        let kind = 1 + random.below(3);
        w.put(kind, 3);
        match dialect {
            Dialect::Cabinet => w.put(bytes, 24),
            Dialect::System if bytes == CHUNK => w.put(1, 1),
            Dialect::System => {
                w.put(0, 1);
                w.put(bytes, 16);
            }
        }
        let end = at + bytes;
        if kind == 3 {
            w.border();
            for slot in &mut recent {
                *slot = 1 + random.below(at.max(1));
                w.out.extend_from_slice(&(*slot as u32).to_le_bytes());
            }
            w.out.extend_from_slice(&data[at..end]);
            if bytes % 2 == 1 {
                w.out.push(0);
            }
            at = end;
            continue;
        }
        let aligned = random_code(&mut random, 8, 7);
        if kind == 2 {
            for length in &aligned {
                w.put(usize::from(*length), 3);
            }
        }
        let main = random_code(&mut random, MAIN, 16);
        put_deltas(&mut random, &mut w, &before_main[..256], &main[..256]);
        put_deltas(&mut random, &mut w, &before_main[256..], &main[256..]);
        let lengths = if random.below(4) == 0 {
            vec![0; LENGTHS]
        } else {
            random_code(&mut random, LENGTHS, 16)
        };
        put_deltas(&mut random, &mut w, &before_lengths, &lengths);
        let longest = if lengths[0] == 0 { 8 } else { 257 };
        while at < end {
            let fits = |distance: usize| {
                if distance == 0 || distance > at {
                    return 0;
                }
                (0..longest.min(end - at))
                    .take_while(|i| data[at + i] == data[at + i - distance])
                    .count()
            };
            let (mut best, mut distance) = (0, 0);
            for try_at in recent {
                if fits(try_at) > best {
                    (best, distance) = (fits(try_at), try_at);
                }
            }
            for _ in 0..30 {
                let try_at = 1 + random.below(at.clamp(1, 32_765));
                if fits(try_at) > best + 1 {
                    (best, distance) = (fits(try_at), try_at);
                }
            }
            if best < 2 {
                w.code(&main, usize::from(data[at]));
                at += 1;
                continue;
            }
            let known = recent.iter().position(|own| *own == distance);
            let slot = match known {
                Some(slot) => slot,
                None => (3..SLOTS)
                    .rev()
                    .find(|slot| slot_of(*slot).0 <= distance + 2)
                    .unwrap(),
            };
            let header = (best - 2).min(7);
            w.code(&main, 256 + slot * 8 + header);
            if header == 7 {
                w.code(&lengths, best - 9);
            }
            match known {
                Some(slot) => recent.swap(0, slot),
                None => {
                    let (base, wide) = slot_of(slot);
                    let footer = distance + 2 - base;
                    if kind == 2 && wide >= 3 {
                        w.put(footer >> 3, wide - 3);
                        w.code(&aligned, footer & 7);
                    } else {
                        w.put(footer, wide);
                    }
                    recent = [distance, recent[0], recent[1]];
                }
            }
            at += best;
        }
        before_main = main;
        before_lengths = lengths;
    }
    if w.used > 0 {
        w.border();
    }
    w.out
}

/// Content with repeats, literals and things that look like calls.
pub(crate) fn content(seed: u64, bytes: usize) -> Vec<u8> {
    let mut random = Random(seed ^ 0x5555);
    let mut out = Vec::new();
    while out.len() < bytes {
        match random.below(5) {
            0 => {
                out.push(0xE8);
                let target = random.below(13_000_000) as i32 - random.below(60_000) as i32;
                out.extend_from_slice(&target.to_le_bytes());
            }
            1 => {
                let fill = random.below(256) as u8;
                out.resize(out.len() + random.below(300), fill);
            }
            2 if !out.is_empty() => {
                let from = random.below(out.len());
                for i in 0..random.below(400) {
                    out.push(out[from + i % (out.len() - from)]);
                }
            }
            _ => out.extend((0..random.below(40)).map(|_| random.below(256) as u8)),
        }
    }
    out.truncate(bytes);
    out
}

#[test]
fn the_encoder_is_still_the_one_that_was_checked() {
    let mut all = Vec::new();
    for seed in 0..6 {
        let plain = content(seed, 20_000);
        all.extend(pack(seed, &plain, Dialect::Cabinet));
        all.extend(pack(seed, &plain, Dialect::System));
    }
    assert_eq!(
        blake3::hash(&all).to_hex().as_str(),
        "82e8a659233fb73b30416631aa01adc603274b5ca9234a4c7deb2092b977cfdb"
    );
}

#[test]
fn every_kind_of_block_comes_back() {
    for seed in 0..12 {
        let mut random = Random(seed);
        let bytes = match seed % 4 {
            0 => CHUNK,
            1 => random.below(40),
            _ => random.below(CHUNK),
        };
        let plain = content(seed, bytes);
        let packed = pack(seed, &plain, Dialect::System);
        assert_eq!(unpack(&packed, bytes).unwrap(), plain, "seed {seed}");
        // Asked for more than is there: an error, not something made up.
        if bytes < CHUNK {
            assert!(unpack(&packed, bytes + 1).is_err(), "seed {seed}");
        }
        if packed.len() > 2 {
            let cut = &packed[..packed.len() - 2];
            let unpacked = unpack(cut, bytes).ok();
            assert!(unpacked.is_none_or(|u| u == plain), "seed {seed}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 48, ..ProptestConfig::default() })]
    #[test]
    fn any_bytes(src in proptest::collection::vec(any::<u8>(), 0..900), len in 0usize..40_000) {
        if let Ok(out) = unpack(&src, len) {
            prop_assert_eq!(out.len(), len);
        }
    }

    #[test]
    fn a_changed_stream_is_never_another_length(seed in 0u64..400, at in any::<usize>(), bit in 0u8..8) {
        let plain = content(seed, 1500);
        let mut packed = pack(seed, &plain, Dialect::System);
        let at = at % packed.len();
        packed[at] ^= 1 << bit;
        if let Ok(out) = unpack(&packed, plain.len()) {
            prop_assert_eq!(out.len(), plain.len());
        }
    }
}
