//! The tables of a policy. Each comes twice: as it stands in a file (any key may be missing, none may be unknown) and as
//! it is used (complete).
//!
//! Invariant: a number never travels with another number's reason: a table that overrides a value without saying
//! why is shown as having no reason.

use super::fault::PolicyFault;
use super::value::{List, Positive, Ranged, Share, Step};
use crate::value::words::Who;
use serde::Deserialize;

macro_rules! table {
    ($(#[$doc:meta])* $name:ident, $draft:ident, $key:literal {
        $($(#[$field_doc:meta])* $field:ident: $type:ty),* $(,)?
    }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub struct $name {
            $($(#[$field_doc])* pub $field: $type,)*
            /// Where the numbers come from.
            pub why: String,
        }

        #[derive(Debug, Clone, Default, Deserialize)]
        #[serde(deny_unknown_fields, rename_all = "kebab-case")]
        pub(super) struct $draft {
            $($field: Option<$type>,)*
            why: Option<String>,
        }

        impl $draft {
            /// Fills what is missing from `base`.
            pub(super) fn over(&mut self, base: Self) {
                let touched = false $(|| self.$field.is_some())*;
                $(if self.$field.is_none() { self.$field = base.$field; })*
                if self.why.is_none() {
                    self.why = if touched { Some(NO_REASON.to_owned()) } else { base.why };
                }
            }

            pub(super) fn resolved(self, file: &str) -> Result<$name, PolicyFault> {
                Ok($name {
                    $($field: self.$field.ok_or_else(|| missing(file, $key, stringify!($field)))?,)*
                    why: self.why.ok_or_else(|| missing(file, $key, "why"))?,
                })
            }
        }

        impl $name {
            pub(super) fn shown(&self) -> Vec<(String, String)> {
                vec![$((stringify!($field).replace('_', "-"), self.$field.to_string())),*]
            }
        }
    };
}

/// Stands where a table changed a value and says no why.
pub(super) const NO_REASON: &str = "changed, and no reason given";

fn missing(file: &str, table: &str, field: &str) -> PolicyFault {
    let key = field.replace('_', "-");
    PolicyFault::missing(
        file,
        &format!("[{table}] {key}"),
        "write it, or extends = \"home\" to take over what is not written",
    )
}

table! {
    /// How old a health reading may be.
    Health, HealthDraft, "health" {
        /// Minutes, before copying starts.
        before_copy_minutes: Ranged<1, 1440>,
        /// Minutes between readings while copying.
        during_copy_minutes: Ranged<1, 1440>,
        /// Minutes, at the release, and after the last read of the source.
        at_release_minutes: Ranged<1, 1440>,
    }
}
table! {
    /// How old a verification may be.
    Verification, VerificationDraft, "verification" {
        /// Hours between the verification (after the last write) and the release.
        longest_hours: Ranged<1, 168>,
    }
}
table! {
    /// How long a certificate is valid.
    Certificate, CertificateDraft, "certificate" {
        /// Hours, when nothing else is asked for.
        valid_hours: Ranged<1, 24>,
        /// The most hours that may be asked for.
        longest_hours: Ranged<1, 24>,
    }
}
table! {
    /// How many verified copies, on destinations independent of each other, each class needs.
    Copies, CopiesDraft, "copies" {
        /// Copies of what exists nowhere else.
        irreplaceable: Ranged<1, 9>,
        /// Copies of what is much work to get again.
        hard_to_replace: Ranged<1, 9>,
        /// Copies of what can be bought or set up again.
        replaceable: Ranged<0, 9>,
        /// Copies of what the system makes again.
        rebuildable: Ranged<0, 9>,
        /// Who may accept one copy where two are wanted.
        single_copy: Who,
    }
}
table! {
    /// What each class is worth when the copy is ordered; only the ratios matter.
    Value, ValueDraft, "value" {
        /// One irreplaceable item of `unit_bytes`.
        irreplaceable: Positive,
        /// One hard-to-replace item of that size.
        hard_to_replace: Positive,
        /// One replaceable item of that size.
        replaceable: Positive,
        /// One rebuildable item of that size.
        rebuildable: Positive,
        /// Size in bytes up to which size does not matter.
        unit_bytes: Ranged<1, 1_073_741_824>,
        /// Power by which worth grows beyond that size; 0 = not at all, 1 = in proportion.
        exponent: Share,
    }
}
table! {
    /// What needs a second look, and what one is: a second person, or a pause and the serial typed again.
    SecondLook, SecondLookDraft, "second-look" {
        /// The steps that need it.
        needed_for: List<Step>,
        /// Minutes of the pause for somebody alone.
        pause_minutes: Ranged<0, 1440>,
        /// How many last characters of the drive's serial are typed again.
        serial_characters: Ranged<2, 20>,
    }
}
table! {
    /// When copying pauses for heat.
    Heat, HeatDraft, "heat" {
        /// Degrees Celsius at which a disk gets a rest.
        disk_pause_celsius: Ranged<35, 70>,
        /// Degrees below its own warning limit at which an NVMe drive gets a rest.
        below_warning_celsius: Ranged<0, 30>,
        /// Degrees below the pause at which copying goes on.
        resume_below_celsius: Ranged<1, 30>,
    }
}
table! {
    /// What a drive means that vanishes.
    Vanishing, VanishingDraft, "vanishing" {
        /// Up to so many times: re-seat it and go on.
        reseat_times: Ranged<0, 9>,
        /// From so many times on: the route is `refer`.
        refer_at_times: Ranged<1, 10>,
    }
}
table! {
    /// How long the shop keeps its copy.
    Keeping, KeepingDraft, "keeping" {
        /// Days from acceptance.
        days: Ranged<0, 3650>,
    }
}
table! {
    /// Borders between the routes, as chances of losing the drive while copying.
    Routes, RoutesDraft, "routes" {
        /// From this high end of the forecast on: gentle.
        gentle_high: Share,
        /// From this middle on: gentle even when only old counts or an unread health page widen the range.
        gentle_mid: Share,
        /// From this middle on the loss counts as imminent: refer, with irreplaceable data.
        refer_mid: Share,
        /// Replaced sectors of a disk that count as old age when nothing else speaks against it.
        old_remapped: Ranged<0, 100_000>,
        /// Share of its own earlier pace below which a drive is read carefully.
        slow_share: Share,
    }
}
table! {
    /// From which size on unexamined space is an open point.
    Survey, SurveyDraft, "survey" {
        /// MiB of a gap that was not read.
        gap_unread_mib: Ranged<1, 1_048_576>,
        /// MiB of a gap with content.
        gap_content_mib: Ranged<1, 1_048_576>,
    }
}
