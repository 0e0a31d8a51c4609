//! The form that the ledger keeps of a sealed part.
//!
//! Invariant: what is written is read back the same; any other bytes are none.

use super::{Packing, Seal, Sealed, SumsAt};
use crate::volume::layout::Reader;
use crate::volume::sums::Sum;

impl Sealed {
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
