//! Sense data of SCSI (SPC-4, 4.5) as far as the transport needs it to tell a refusal from an
//! answer, and the ATA registers inside it (SAT-3, 12.2.5; from memory).
//!
//! Invariant: any bytes are taken; registers are believed only where the format says where they are.

/// Key, code and qualifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sense {
    pub key: u8,
    pub code: u8,
    pub qualifier: u8,
}

impl std::fmt::Display for Sense {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "sense {:02x}/{:02x}/{:02x}",
            self.key, self.code, self.qualifier
        )
    }
}

/// The registers that an ATA command came back with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Registers {
    pub error: Option<u8>,
    pub status: Option<u8>,
    pub mid: u8,
    pub high: u8,
    /// All 48 bits of the address, the lowest byte first; only where the format has room for them.
    pub address: Option<[u8; 6]>,
}

impl Registers {
    /// The drive aborted the command: status bit 0 (error) with error bit 2 (abort).
    pub(super) fn aborted(&self) -> bool {
        self.status.is_some_and(|status| status & 0x01 != 0)
            && self.error.is_some_and(|error| error & 0x04 != 0)
    }
}

/// Key, code and qualifier of either format; `None` = no sense data in a known format.
pub(super) fn parse(sense: &[u8]) -> Option<Sense> {
    let at = |place: usize| sense.get(place).copied();
    match at(0)? & 0x7f {
        0x72 | 0x73 => Some(Sense {
            key: at(1)? & 0x0f,
            code: at(2)?,
            qualifier: at(3)?,
        }),
        0x70 | 0x71 => Some(Sense {
            key: at(2)? & 0x0f,
            code: at(12).unwrap_or(0),
            qualifier: at(13).unwrap_or(0),
        }),
        _ => None,
    }
}

/// The registers, from an ATA status descriptor, or from the fixed format when it says that it holds them.
pub(super) fn registers(sense: &[u8]) -> Option<Registers> {
    let at = |place: usize| sense.get(place).copied();
    match at(0)? & 0x7f {
        0x72 | 0x73 => descriptor(sense),
        // Only 01/00/1D means "registers inside"; a failed command may carry them in other places.
        0x70 | 0x71
            if parse(sense)
                == Some(Sense {
                    key: 0x01,
                    code: 0x00,
                    qualifier: 0x1d,
                }) =>
        {
            Some(Registers {
                error: at(3),
                status: at(4),
                mid: at(10)?,
                high: at(11)?,
                address: None,
            })
        }
        _ => None,
    }
}

fn descriptor(sense: &[u8]) -> Option<Registers> {
    let all = usize::from(*sense.get(7)?);
    let mut rest = sense.get(8..)?;
    rest = rest.get(..all).unwrap_or(rest);
    // Each descriptor is at least two bytes long, so the walk ends.
    while let (Some(kind), Some(length)) = (rest.first(), rest.get(1)) {
        let whole = usize::from(*length).saturating_add(2);
        if *kind == 0x09 && *length >= 0x0c {
            return Some(Registers {
                error: rest.get(3).copied(),
                mid: *rest.get(9)?,
                high: *rest.get(11)?,
                status: rest.get(13).copied(),
                // SAT-3, ATA status return descriptor: each byte of the 48-bit address stands before its lower twin;
                // the upper ones count when bit 0 of byte 2 says so.
                address: match rest {
                    [_, _, extended, _, _, _, a3, a0, a4, a1, a5, a2, ..] if extended & 1 == 1 => {
                        Some([*a0, *a1, *a2, *a3, *a4, *a5])
                    }
                    _ => None,
                },
            });
        }
        rest = rest.get(whole..)?;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A descriptor answer to SMART RETURN STATUS, laid out by SAT-3, table 151 (from memory).
    fn answer(mid: u8, high: u8) -> Vec<u8> {
        let mut sense = vec![0x72, 0x01, 0x00, 0x1d, 0, 0, 0, 14];
        sense.extend([0x09, 0x0c, 0, 0, 0, 0, 0, 0, 0, mid, 0, high, 0, 0x50]);
        sense
    }

    #[test]
    fn registers_are_found_behind_other_descriptors() {
        let mut sense = answer(0x4f, 0xc2);
        let got = registers(&sense).unwrap();
        assert_eq!((got.mid, got.high, got.status), (0x4f, 0xc2, Some(0x50)));
        assert!(!got.aborted());
        sense.splice(8..8, [0x00, 0x02, 9, 9]);
        sense[7] += 4;
        assert_eq!(registers(&sense), Some(got));
        // Cut in the middle of the descriptor: nothing is known.
        sense.truncate(22);
        assert_eq!(registers(&sense), None);
    }

    #[test]
    fn the_fixed_format_is_believed_only_when_it_says_so() {
        let mut fixed = [0u8; 18];
        fixed[0] = 0x70;
        fixed[2] = 0x01;
        fixed[7] = 10;
        fixed[10] = 0xf4;
        fixed[11] = 0x2c;
        fixed[13] = 0x1d;
        let got = registers(&fixed).unwrap();
        assert_eq!((got.mid, got.high), (0xf4, 0x2c));
        fixed[2] = 0x0b;
        fixed[13] = 0;
        assert_eq!(registers(&fixed), None);
        assert_eq!(parse(&fixed).unwrap().to_string(), "sense 0b/00/00");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn any_bytes_are_taken(sense in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = parse(&sense);
            let _ = registers(&sense);
        }
    }
}
