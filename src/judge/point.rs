//! Open points: one reason each why the gate will not release.
//!
//! Invariant: a point's id is a stable word that scripts and waivers rely on; its set digest
//! freezes exactly what a waiver of it would give up.

use crate::value::Blake3;
use crate::value::words::Who;

/// One open point.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Stable word with hyphens.
    pub id: &'static str,
    /// What is open, in a sentence.
    pub says: String,
    /// What is lost if the drive is wiped now.
    pub lost: String,
    /// Where that is known from.
    pub evidence: String,
    /// The next command, or what to do.
    pub remedy: String,
    /// Who may settle it by a decision.
    pub who: Who,
    /// How many things it stands for.
    pub count: u64,
    /// Bytes it stands for (0 where it is not about bytes).
    pub bytes: u64,
    /// Digest of the frozen set.
    pub set: Blake3,
}

impl Point {
    /// A point that is not about items: its frozen set is its own evidence.
    pub fn plain(
        id: &'static str,
        who: Who,
        says: impl Into<String>,
        lost: impl Into<String>,
        evidence: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        let evidence = evidence.into();
        let set = Blake3(*blake3::hash(format!("{id}\n{evidence}").as_bytes()).as_bytes());
        Self {
            id,
            says: says.into(),
            lost: lost.into(),
            evidence,
            remedy: remedy.into(),
            who,
            count: 1,
            bytes: 0,
            set,
        }
    }
}

/// Every point id, in the order in which points are shown: what cannot be undone first.
pub const ORDER: &[&str] = &[
    "ledger-broken",
    "policy-edited",
    "clock-wrong",
    "data-locked",
    "identity-unknown",
    "source-gone",
    "source-changed",
    "survey-unfinished",
    "volume-locked",
    "volume-unrecognised",
    "volume-partly-surveyed",
    "accounts-differ",
    "lost-volume",
    "gap-with-content",
    "gap-unread",
    "tables-disagree",
    "hidden-area",
    "other-drive",
    "mounted-writable",
    "hold-not-set",
    "refer-undecided",
    "health-unread",
    "health-old",
    "drive-trouble",
    "no-destination",
    "destination-missing",
    "destination-full",
    "destination-not-independent",
    "destination-failing",
    "copy-differs",
    "extra-in-bag",
    "not-copied",
    "changed-items",
    "unreadable-items",
    "damaged-items",
    "folders-unreadable",
    "mounts-not-entered",
    "unknown-tags",
    "not-verified",
    "verification-missing",
    "verification-old",
    "verification-doubtful",
    "single-copy",
    "placeholders",
    "efs-keys",
    "key-bound",
    "redirected-elsewhere",
    "doubtful-content",
    "memory-failed",
    "memory-doubt",
    "reads-disagree",
    "must-haves-not-asked",
    "must-have-open",
    "questions-open",
    "waiver-lapsed",
    "second-look",
    "release-lapsed",
];

/// "1 item", "1,204 items".
pub(super) fn things(count: u64, one: &str, many: &str) -> String {
    format!(
        "{} {}",
        crate::value::measure::count_in_words(count),
        if count == 1 { one } else { many }
    )
}

/// Sorts points into the order of [`ORDER`]; unknown ids come last.
pub fn sort(points: &mut [Point]) {
    points.sort_by_key(|point| {
        ORDER
            .iter()
            .position(|id| *id == point.id)
            .unwrap_or(usize::MAX)
    });
}
