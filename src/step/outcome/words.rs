//! The words of the interface that only steps speak, beside those of every floor (`value::words`).

use crate::value::words::words;
pub use crate::value::words::{DriveKind, Machine, MemoryState, ReadBack, Route, Symptom, Who};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

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
    /// Who decided to lose something.
    DecidedBy {
        /// The owner of the data.
        Owner = "owner",
        /// The technician.
        Technician = "technician",
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
        /// Not a gap: a table that divides the drive.
        Table = "table",
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
