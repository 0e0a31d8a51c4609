//! The ladders of relative risk: for each kind of signal, what each step of it does to the 60-day
//! loss probability of a signal-free drive, with its source.
//!
//! Invariant: within a ladder no later step has a smaller risk in any column.

/// One step of a ladder: what it does to the 60-day loss probability of a signal-free drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// When this step applies, in words.
    pub when: &'static str,
    /// Relative risk within 60 days, low / mid / high; 1 = none.
    pub m: [f64; 3],
    /// Shape of the hazard after onset: below 1, the beginning is the worst.
    pub k: f64,
    /// Where the figures come from.
    pub source: &'static str,
}

pub(super) const NEUTRAL: Step = Step {
    when: "nothing",
    m: [1.0; 3],
    k: 1.0,
    source: "none",
};

const JUDGEMENT: &str = "engineering judgement";

const fn step(when: &'static str, m: [f64; 3], k: f64, source: &'static str) -> Step {
    Step { when, m, k, source }
}

pub(super) const AWAITING: &[Step] = &[
    step(
        "1 to 10",
        [8.0, 16.0, 39.0],
        0.7,
        "mid: Pinheiro et al., FAST 2007, 3.5.4; high: Ma et al., FAST 2015, 3.3.2; low: engineering judgement",
    ),
    step(
        "11 to 100",
        [14.0, 25.0, 60.0],
        0.6,
        "engineering judgement between Pinheiro et al. 2007 and Ma et al. 2015",
    ),
    step("more than 100", [21.0, 40.0, 100.0], 0.5, JUDGEMENT),
];
pub(super) const REMAPPED: &[Step] = &[
    step(
        "1 to 4",
        [3.0, 14.0, 21.0],
        0.7,
        "Pinheiro et al., FAST 2007, 3.5.2 and 3.5.3",
    ),
    step("5 to 40", [6.0, 14.0, 30.0], 0.7, JUDGEMENT),
    step(
        "41 to 200",
        [14.0, 29.0, 60.0],
        0.6,
        "mid derived from Ma et al., FAST 2015, 3.4 (50 % over 1.7 %)",
    ),
    step(
        "more than 200",
        [29.0, 56.0, 100.0],
        0.5,
        "mid derived from Ma et al., FAST 2015, 3.4 (95 % over 1.7 %)",
    ),
];
pub(super) const UNREADABLE: &[Step] = &[step(
    "at least one",
    [21.0, 39.0, 60.0],
    0.5,
    "Pinheiro et al., FAST 2007, 3.5.1 and 3.5.3, mapped by meaning",
)];
pub(super) const SELF_TEST_OTHER: &[Step] = &[step(
    "failed, not at a read",
    [20.0, 39.0, 100.0],
    0.5,
    JUDGEMENT,
)];
pub(super) const LIMIT_CROSSED: &[Step] = &[step(
    "the drive reports a crossed limit",
    [23.0, 35.0, 50.0],
    1.0,
    "derived from Murray et al., JMLR 6 (2005), section 1 (3 to 10 % caught at 0.1 % false alarms)",
)];
pub(super) const OVERDUE: &[Step] = &[step(
    "any",
    [1.0, 3.0, 15.0],
    1.0,
    "engineering judgement; may be power or cable",
)];
pub(super) const GARBLED: &[Step] = &[step(
    "any",
    [1.0, 1.0, 2.0],
    1.0,
    "Pinheiro et al., FAST 2007, 3.5.5; Xu et al., ATC 2019: change the cable or port first",
)];
pub(super) const HEAT: &[Step] = &[step(
    "above 50 degrees, or the drive's own warning",
    [1.0, 1.0, 2.0],
    1.0,
    "engineering judgement; cool before copying",
)];
pub(super) const SLOW_DISK: &[Step] = &[step(
    "below half of its own pace",
    [3.0, 10.0, 39.0],
    0.7,
    "direction: Lu et al., FAST 2020; figures: engineering judgement",
)];
pub(super) const SLOW_SOLID: &[Step] = &[step(
    "below half of its own pace",
    [1.0, 2.0, 10.0],
    0.7,
    "Lu et al., ATC 2022: slow NVMe drives rarely die within 5 months; figures: engineering judgement",
)];
pub(super) const MET: &[Step] = &[step(
    "at least one in this copy",
    [21.0, 39.0, 60.0],
    0.5,
    "as a scan error (Pinheiro et al., FAST 2007, 3.5.1), onset at that moment; engineering judgement",
)];
pub(super) const SPARE: &[Step] = &[
    step(
        "within 10 points of its limit",
        [2.0, 5.0, 15.0],
        1.0,
        "direction: Maneas et al., FAST 2020, finding 8; figures: engineering judgement",
    ),
    step(
        "below its limit",
        [5.0, 15.0, 50.0],
        1.0,
        "direction: Maneas et al., FAST 2020, finding 8; figures: engineering judgement",
    ),
];
pub(super) const RELIABILITY: &[Step] = &[step("yes", [20.0, 50.0, 150.0], 0.7, JUDGEMENT)];
pub(super) const WRITES_REFUSED: &[Step] = &[step(
    "yes",
    [10.0, 30.0, 100.0],
    0.7,
    "engineering judgement; reads usually still work",
)];
pub(super) const BACKUP_POWER: &[Step] = &[step("yes", [1.0, 2.0, 5.0], 1.0, JUDGEMENT)];
pub(super) const ENDURANCE: &[Step] = &[
    step(
        "100 to 149 %",
        [1.0, 1.5, 3.0],
        1.0,
        "Schroeder et al., FAST 2016 (linear growth); JESD218: retention no longer vouched for",
    ),
    step("150 % or more", [2.0, 5.0, 15.0], 1.0, JUDGEMENT),
];
pub(super) const LOST_INSIDE: &[Step] = &[
    step(
        "1 to 9",
        [2.0, 5.0, 15.0],
        0.7,
        "high: Schroeder et al., FAST 2016, 5.6 (ratio for further errors); rest: engineering judgement",
    ),
    step("10 or more, or growing", [5.0, 15.0, 50.0], 0.7, JUDGEMENT),
];
pub(super) const BAD_BLOCKS: &[Step] = &[
    step(
        "2 to 1,000",
        [1.0, 3.0, 10.0],
        0.7,
        "direction: Narayanan et al., SYSTOR 2016; Schroeder et al., FAST 2016",
    ),
    step(
        "more than 1,000",
        [5.0, 15.0, 50.0],
        0.7,
        "direction: Narayanan et al., SYSTOR 2016, 3.3",
    ),
];
pub(super) const PROGRAM_ERASE: &[Step] = &[step(
    "any",
    [2.0, 5.0, 15.0],
    1.0,
    "direction: Narayanan et al., SYSTOR 2016, section 1",
)];
pub(super) const PRE_END: &[Step] = &[
    step("warning", [2.0, 5.0, 15.0], 1.0, JUDGEMENT),
    step(
        "urgent, or life estimate at its top step",
        [5.0, 20.0, 60.0],
        1.0,
        JUDGEMENT,
    ),
];
pub(super) const UNREAD_DISK: &[Step] = &[step(
    "health not known",
    [1.0, 1.6, 39.0],
    0.5,
    "mid: fleet over signal-free drives, 1/0.62 (Pinheiro et al., FAST 2007, 3.5.6); high: a strong signal cannot be ruled out (3.5.1)",
)];
pub(super) const UNREAD_SOLID: &[Step] = &[step(
    "health not known",
    [1.0, 2.0, 50.0],
    0.7,
    "a strong signal cannot be ruled out; figures: engineering judgement",
)];
pub(super) const AWAITING_UNKNOWN: &[Step] = &[step(
    "count not known",
    [1.0, 1.0, 16.0],
    0.7,
    "a first waiting sector cannot be ruled out (Pinheiro et al., FAST 2007, 3.5.4)",
)];
pub(super) const REMAPPED_UNKNOWN: &[Step] = &[step(
    "count not known",
    [1.0, 1.0, 14.0],
    0.7,
    "a first replaced sector cannot be ruled out (Pinheiro et al., FAST 2007, 3.5.2)",
)];

/// The first `n` steps of a ladder.
pub(super) fn up_to(ladder: &'static [Step], n: usize) -> &'static [Step] {
    ladder.get(..n.min(ladder.len())).unwrap_or(ladder)
}

/// Shape in the high column: the step's less 0.2, not below 0.35 (engineering judgement).
pub fn high_shape(k: f64) -> f64 {
    (k - 0.2).max(0.35)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ladders_rise() {
        for ladder in [
            AWAITING,
            REMAPPED,
            SPARE,
            ENDURANCE,
            LOST_INSIDE,
            BAD_BLOCKS,
            PRE_END,
        ] {
            for pair in ladder.windows(2) {
                for column in 0..3 {
                    assert!(pair[1].m[column] >= pair[0].m[column]);
                }
            }
            for step in ladder {
                assert!(step.m[0] <= step.m[1] && step.m[1] <= step.m[2]);
                assert!(!step.source.is_empty() && step.k > 0.0 && step.k <= 1.0);
            }
        }
    }
}
