//! The fixed words of the interface: each value has exactly one spelling, the same in
//! arguments, JSON and text.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$about:meta])* $variant:ident = $word:literal,)+ }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        pub enum $name {
            $($(#[$about])* #[serde(rename = $word)] $variant,)+
        }

        impl $name {
            /// Every value, in the order of the interface.
            pub const ALL: &'static [$name] = &[$($name::$variant,)+];

            /// The word of the interface.
            pub fn word(self) -> &'static str {
                match self {
                    $($name::$variant => $word,)+
                }
            }

            /// The value of a word; `None` when the interface has no such word.
            pub fn of(word: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|value| value.word() == word)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.word())
            }
        }
    };
}

words!(
    /// Where a job stands. Only these two.
    State {
        /// Nobody may wipe.
        Hold = "hold",
        /// The gate released it, until the certificate expires.
        Released = "released",
    }
);
words!(
    /// What the owner tells of the drive.
    Symptom {
        /// It clicks or grinds.
        Clicking = "clicking",
        /// It fell.
        Dropped = "dropped",
        /// Something was spilled over it.
        Liquid = "liquid",
        /// It disappears and comes back.
        Vanishes = "vanishes",
        /// Nothing of the kind.
        None = "none",
    }
);
words!(
    /// What is known of the memory of the machine that copies.
    MemoryState {
        /// Known to be good (another machine, or tested and never suspected).
        KnownGood = "known-good",
        /// Modules were exchanged because of the fault.
        Swapped = "swapped",
        /// It may be the cause.
        Suspect = "suspect",
        /// A test failed.
        Failed = "failed",
    }
);
words!(
    /// Which machine does the copying.
    Machine {
        /// A machine of the bench.
        Bench = "bench",
        /// The customer's own machine.
        UnderRepair = "under-repair",
    }
);
words!(
    /// How to copy, given the forecast.
    Route {
        /// Parallel, full speed.
        Ordinary = "ordinary",
        /// One reader, most precious first, pauses on heat.
        Gentle = "gentle",
        /// Sectors do not read: at the gentle pace, every gap listed.
        Salvage = "salvage",
        /// Stop; a specialist laboratory first.
        Refer = "refer",
    }
);
words!(
    /// Who decided to lose something.
    DecidedBy {
        /// The owner of the data.
        Owner = "owner",
        /// The technician.
        Technician = "technician",
    }
);
words!(
    /// Who may settle an open point by a decision.
    Who {
        /// The owner of the data.
        Owner = "owner",
        /// The technician.
        Technician = "technician",
        /// Nobody may give this up: it has to be put right.
        Nobody = "nobody",
    }
);
words!(
    /// How a decision was told.
    How {
        /// On paper, with a signature.
        Signed = "signed",
        /// In writing (letter, text message, mail).
        Message = "message",
        /// By telephone.
        Phone = "phone",
    }
);
words!(
    /// The papers.
    Paper {
        /// For the owner: what was saved, what was not.
        Receipt = "receipt",
        /// For the owner to sign: what will be lost.
        Sheet = "sheet",
        /// For the lid of the machine: on hold.
        Tag = "tag",
        /// For the bench: which drive may be wiped, until when.
        Slip = "slip",
    }
);
words!(
    /// How much of the names a paper shows.
    Names {
        /// Names of files.
        Full = "full",
        /// Names of folders only.
        Folders = "folders",
    }
);
words!(
    /// Where an item stands; computed from what is wanted, what was got, and its copies.
    ItemState {
        /// Found by the survey.
        Listed = "listed",
        /// On the medium of the destinations.
        Copied = "copied",
        /// Read back from the medium, and equal.
        Verified = "verified",
        /// Some ranges could not be read.
        Damaged = "damaged",
        /// Nothing of it could be read.
        Unreadable = "unreadable",
        /// Left out by a named rule of the policy.
        LeftOut = "left-out",
        /// Its content is not on the drive.
        Placeholder = "placeholder",
        /// Given up by a recorded decision.
        Waived = "waived",
        /// The source changed since; counts as listed.
        Changed = "changed",
    }
);
words!(
    /// What became of a volume in the survey.
    VolumeState {
        /// Every item is listed.
        Surveyed = "surveyed",
        /// Holds no user data, by a named rule.
        NoUserData = "holds-no-user-data",
        /// Encrypted; the key is needed.
        Locked = "locked",
        /// Nothing that we can read.
        Unrecognised = "unrecognised",
        /// Given up by a recorded decision.
        Waived = "waived",
    }
);
words!(
    /// What lies in a gap between volumes.
    GapContent {
        /// Read, and blank.
        Blank = "blank",
        /// Read, and not blank.
        Content = "content",
        /// Not read.
        Unread = "unread",
    }
);
words!(
    /// How copies were read back.
    ReadBack {
        /// From the medium, past every cache.
        Medium = "medium",
        /// Over a network.
        Network = "network",
        /// The bytes may have come from a cache.
        CacheSuspected = "cache-suspected",
    }
);
words!(
    /// What vouches for the certificate.
    Signature {
        /// A signature in OpenSSH's SSHSIG format beside it.
        Sshsig = "sshsig",
        /// Nothing: an unsigned record.
        None = "none",
    }
);
words!(
    /// What stores the bytes of a drive.
    DriveKind {
        /// Rotating disk.
        Disk = "disk",
        /// Solid state on ATA or SCSI.
        Ssd = "ssd",
        /// Solid state on NVMe.
        Nvme = "nvme",
        /// eMMC or SD.
        Card = "card",
        /// An image file of a drive.
        Image = "image",
        /// The device does not say, or several sources disagree.
        Unknown = "unknown",
    }
);

impl From<crate::drive::identity::Medium> for DriveKind {
    fn from(medium: crate::drive::identity::Medium) -> Self {
        use crate::drive::identity::Medium;
        match medium {
            Medium::Disk => DriveKind::Disk,
            Medium::Ssd => DriveKind::Ssd,
            Medium::Nvme => DriveKind::Nvme,
            Medium::Card => DriveKind::Card,
            Medium::Unknown => DriveKind::Unknown,
        }
    }
}

impl Symptom {
    /// Whether the drive may die of being powered: nothing but identity and health is read then.
    pub fn is_bad(self) -> bool {
        match self {
            Symptom::Clicking | Symptom::Dropped | Symptom::Liquid | Symptom::Vanishes => true,
            Symptom::None => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_text_and_arguments_share_one_spelling() {
        for state in ItemState::ALL {
            let json = serde_json::to_string(state).unwrap();
            assert_eq!(json, format!("\"{}\"", state.word()));
            assert_eq!(ItemState::of(state.word()), Some(*state));
        }
        assert_eq!(
            serde_json::to_string(&MemoryState::KnownGood).unwrap(),
            "\"known-good\""
        );
        assert_eq!(Machine::of("under-repair"), Some(Machine::UnderRepair));
        assert_eq!(Route::of("fast"), None);
    }
}
