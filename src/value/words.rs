//! The fixed words of the interface that more than one floor speaks: each value has exactly one
//! spelling, the same in arguments, JSON and text.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// An enum whose values are words of the interface.
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

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.word())
            }
        }
    };
}
pub(crate) use words;

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
    /// What a decision to lose something covers.
    WaiverScope {
        /// Items by their paths.
        Items = "item",
        /// All of a class that is not saved.
        Class = "class",
        /// All of a volume that is not saved.
        Volume = "volume",
        /// One open point.
        Point = "point",
        /// Everything: the owner wants nothing.
        NoRescue = "no-rescue",
        /// Copies in doubt by the paths of their items: they are kept, with their doubt.
        Doubtful = "doubtful",
    }
);
words!(
    /// How copies were read back; later = less is proven by it.
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

impl Symptom {
    /// Whether the drive may die of being powered: nothing but identity and health is read then.
    pub fn is_bad(self) -> bool {
        match self {
            Symptom::Clicking | Symptom::Dropped | Symptom::Liquid | Symptom::Vanishes => true,
            Symptom::None => false,
        }
    }
}

impl Who {
    /// Whether a decision by `by` suffices where `self` is asked for: what the technician may decide, the owner may too.
    pub fn accepts(self, by: Who) -> bool {
        match self {
            Who::Nobody => false,
            Who::Owner => by == Who::Owner,
            Who::Technician => by != Who::Nobody,
        }
    }
}
