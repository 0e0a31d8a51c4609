//! The fixed words of the interface as values of options, with a line of help each.

use crate::step::outcome::{DecidedBy, How, Machine, MemoryState, Names, Paper, Symptom};
use crate::survey::item::Class;
use clap::ValueEnum;
use clap::builder::PossibleValue;

macro_rules! option_words {
    ($($name:ident { $($variant:ident: $help:literal,)+ })+) => {$(
        impl ValueEnum for $name {
            fn value_variants<'a>() -> &'a [Self] {
                $name::ALL.as_ref()
            }

            fn to_possible_value(&self) -> Option<PossibleValue> {
                let help = match self {
                    $($name::$variant => $help,)+
                };
                Some(PossibleValue::new(self.word()).help(help))
            }
        }
    )+};
}

option_words! {
    Symptom {
        Clicking: "it clicks or grinds",
        Dropped: "it fell",
        Liquid: "something was spilled over it",
        Vanishes: "it disappears and comes back",
        None: "nothing of the kind",
    }
    MemoryState {
        KnownGood: "another machine, or tested and never suspected",
        Swapped: "modules were exchanged because of the fault",
        Suspect: "it may be the cause",
        Failed: "a test failed; no copy counts until modules are changed",
    }
    Machine {
        Bench: "a machine of the bench",
        UnderRepair: "the customer's own machine",
    }
    DecidedBy {
        Owner: "the owner of the data",
        Technician: "the technician",
    }
    How {
        Signed: "on paper, with a signature",
        Message: "in writing: letter, text message, mail",
        Phone: "by telephone",
    }
    Paper {
        Receipt: "for the owner: what was saved, what was not",
        Sheet: "for the owner to sign: what will be lost",
        Tag: "for the lid of the machine: on hold",
        Slip: "for the bench: which drive may be wiped, until when",
    }
    Names {
        Full: "names of files",
        Folders: "names of folders only",
    }
    Class {
        Irreplaceable: "made by a person, exists nowhere else",
        HardToReplace: "could be made again with much work",
        Replaceable: "can be bought or downloaded again",
        Rebuildable: "comes back by itself",
    }
}
