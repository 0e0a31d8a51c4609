//! The chance of losing the drive: signals, background and bench factor, column by column, and
//! the regime of a drive that is getting worse.
//!
//! Invariant: signals are never multiplied; a worse step of a ladder never weighs less than a
//! milder one; low <= mid <= high.

use super::{BENCH_FACTOR, COLUMN, DriveLost, JUDGEMENT};
use crate::drive::evidence::{Evidence, EvidenceMedium};
use crate::judge::factors::Factor;
use crate::judge::hazard::{
    Background, WORSENING_HALF_LIFE, WORSENING_SHARE, background, chance, hazard_60,
    hazard_between, sixty_day_chance, worsening, yearly_hazard,
};
use crate::judge::ladder::high_shape;
use crate::judge::situation::{Situation, plausible};
use crate::judge::working::{Line, digits};
use crate::value::Probability;
use crate::value::words::Symptom;

/// Why a drive counts as getting worse, and in which columns.
pub(super) struct Worse {
    pub why: String,
    columns: [bool; 3],
}

/// Every reason to count this drive as getting worse.
pub(super) fn worsening_reasons(e: &Evidence, s: &Situation) -> Vec<Worse> {
    let mut out = Vec::new();
    let mut add = |why: &str, columns: [bool; 3]| {
        out.push(Worse {
            why: why.to_owned(),
            columns,
        });
    };
    let disk = matches!(e.medium, Some(EvidenceMedium::Disk) | None);
    let grew = |count: Option<u64>, limit: u64, growth: Option<u64>| {
        count.is_some_and(|n| n > limit) && growth.is_some_and(|n| n > 0)
    };
    if s.counts_grew {
        add("its counts of bad sectors rose during this copy", [true; 3]);
    }
    if disk && grew(e.sectors_remapped, 200, e.growth.sectors_remapped) {
        add(
            "more than 200 sectors were replaced, and more since",
            [true; 3],
        );
    }
    if disk && grew(e.sectors_awaiting, 100, e.growth.sectors_awaiting) {
        add("more than 100 sectors wait, and more since", [true; 3]);
    }
    if s.vanished >= 2 {
        add("it vanished twice", [true; 3]);
    }
    match s.symptom {
        Symptom::Clicking => add("it clicks", [true; 3]),
        Symptom::Dropped => add("it was dropped", [false, false, true]),
        Symptom::Liquid => add("it got wet", [false, false, true]),
        Symptom::Vanishes => add("it vanishes from the machine", [false, false, true]),
        Symptom::None => {}
    }
    out
}

/// What one factor adds to the hazard in one column.
struct Part {
    m: f64,
    k: f64,
    tau: f64,
    h60: f64,
    dh: f64,
}

/// The weightiest reading of a factor in a column: its own step, or a milder one of the ladder
/// when that happens to weigh more at this onset.
fn part(factor: &Factor, column: usize, b60: f64, days: f64) -> Part {
    let tau = factor.tau_days.get(column).copied().unwrap_or(0.0);
    let mut best = Part {
        m: 1.0,
        k: 1.0,
        tau,
        h60: 0.0,
        dh: 0.0,
    };
    // The step itself first, so that it is the one named when others weigh the same.
    for step in factor.steps.iter().rev() {
        let m = step.m.get(column).copied().unwrap_or(1.0);
        let h60 = hazard_60(m, b60);
        let shapes = if column == 2 {
            [high_shape(step.k), step.k]
        } else {
            [step.k, step.k]
        };
        for k in shapes {
            let dh = hazard_between(h60, k, tau, days);
            if dh > best.dh {
                best = Part { m, k, tau, h60, dh };
            }
        }
    }
    best
}

/// The chance of losing the drive, and the cumulative hazard of the middle column.
pub(super) fn lost(
    e: &Evidence,
    s: &Situation,
    found: &[Factor],
    worse: &[Worse],
    days: [f64; 3],
    working: &mut Vec<Line>,
) -> (DriveLost, f64) {
    let powered = plausible(e.powered_hours)
        .map(|hours| hours / 8766.0)
        .filter(|years| *years < 60.0);
    let class = background(e.medium, plausible(s.age_years), powered);
    let b60 = sixty_day_chance(class.calibration);
    describe(found, &class, b60, working);

    let mut chances = [0.0f64; 3];
    let mut lambdas = [0.0f64; 3];
    for column in 0..3 {
        let (name, t) = (COLUMN[column], days[column]);
        let parts: Vec<(&Factor, Part)> = found
            .iter()
            .map(|f| (f, part(f, column, b60, t)))
            .filter(|(_, p)| p.dh > 0.0)
            .collect();
        let used: Vec<&(&Factor, Part)> = if column == 2 {
            parts.iter().collect()
        } else {
            // The weightiest alone.
            parts
                .iter()
                .reduce(|a, b| if b.1.dh > a.1.dh { b } else { a })
                .into_iter()
                .collect()
        };
        let mut sum = 0.0;
        for (factor, p) in used {
            sum += p.dh;
            working.push(Line::new(
                format!("hazard by day 60, {name}: {}", factor.what),
                "-ln(1 - min(m * b60, 0.95))",
                format!("m = {}, b60 = {}", digits(p.m), digits(b60)),
                p.h60,
                factor.step().source,
            ));
            working.push(Line::new(
                format!("hazard while copying, {name}: {}", factor.what),
                "H60 * (((tau + T) / 60)^k - (tau / 60)^k)",
                format!(
                    "H60 = {}, tau = {} d, T = {} d, k = {}",
                    digits(p.h60),
                    digits(p.tau),
                    digits(t),
                    digits(p.k)
                ),
                p.dh,
                "curve fixed at days 60 and 240 by Pinheiro et al., FAST 2007, 3.5; shorter times are extrapolated",
            ));
        }
        let yearly = yearly_hazard(class.afr[column]);
        working.push(Line::new(
            format!("background hazard per year, {name}: {}", class.class),
            "-ln(1 - AFR0)",
            format!("AFR0 = {}", digits(class.afr[column])),
            yearly,
            class.source,
        ));
        let lambda = BENCH_FACTOR[column] * (sum + yearly * t / 365.0);
        working.push(Line::new(
            format!("hazard of the whole copy, {name}"),
            "F * (signals + background * T / 365)",
            format!(
                "F = {}, signals = {}, background = {}, T = {} d",
                digits(BENCH_FACTOR[column]),
                digits(sum),
                digits(yearly),
                digits(t)
            ),
            lambda,
            "F for a drive brought in because of trouble: engineering judgement, no study covers such drives",
        ));
        let mut p = chance(lambda);
        working.push(Line::new(
            format!("chance of losing the drive, {name}"),
            "1 - exp(-hazard)",
            format!("hazard = {}", digits(lambda)),
            p,
            "survival under a cumulative hazard",
        ));
        let reasons: Vec<&str> = worse
            .iter()
            .filter(|w| w.columns[column])
            .map(|w| w.why.as_str())
            .collect();
        if !reasons.is_empty() {
            let regime = worsening(
                WORSENING_SHARE[column],
                WORSENING_HALF_LIFE[column],
                t * 24.0,
            );
            working.push(Line::new(
                format!(
                    "a drive that is getting worse, {name} ({}); the larger of this and the line before counts",
                    reasons.join("; ")
                ),
                "p * (1 - 2^(-hours / half-life))",
                format!(
                    "p = {}, hours = {}, half-life = {}",
                    digits(WORSENING_SHARE[column]),
                    digits(t * 24.0),
                    digits(WORSENING_HALF_LIFE[column])
                ),
                regime,
                "Ma et al., FAST 2015, 3.4 (half of those that will soon fail do so within 2 days); high: Lu et al., FAST 2020; figures: engineering judgement",
            ));
            p = p.max(regime);
        }
        chances[column] = p;
        lambdas[column] = if p < 1.0 { -(-p).ln_1p() } else { lambda };
    }
    // With a known onset the shapes of the columns may cross; the range is kept in order.
    let mid = chances[1].max(chances[0]);
    let high = chances[2].max(mid);
    if mid > chances[1] || high > chances[2] {
        working.push(Line::new(
            "a higher column never lies below a lower one",
            "max",
            format!(
                "low = {}, mid = {}, high = {}",
                digits(chances[0]),
                digits(chances[1]),
                digits(chances[2])
            ),
            high,
            JUDGEMENT,
        ));
    }
    (
        DriveLost {
            low: Probability::new(chances[0]),
            mid: Probability::new(mid),
            high: Probability::new(high),
        },
        lambdas[1].max(lambdas[0]),
    )
}

/// The factors themselves: what was seen, what it may weigh, since when, and by whom.
fn describe(found: &[Factor], class: &Background, b60: f64, working: &mut Vec<Line>) {
    working.push(Line::new(
        "60-day loss chance that the relative risks are measured against",
        "1 - (1 - AFRcal)^(60 / 365)",
        format!("AFRcal = {}", digits(class.calibration)),
        b60,
        "calibrated on Pinheiro et al., FAST 2007, 3.5; derived",
    ));
    for factor in found {
        let step = factor.step();
        working.push(Line::new(
            format!("factor: {} ({})", factor.what, step.when),
            "relative risk within 60 days, low / mid / high",
            format!(
                "m = {} / {} / {}, k = {} (high {}), days since onset = {} / {} / {} ({})",
                digits(step.m[0]),
                digits(step.m[1]),
                digits(step.m[2]),
                digits(step.k),
                digits(high_shape(step.k)),
                digits(factor.tau_days[0]),
                digits(factor.tau_days[1]),
                digits(factor.tau_days[2]),
                factor.onset
            ),
            step.m[1],
            step.source,
        ));
    }
    working.push(Line::new(
        if found.is_empty() {
            "no signal moves the background rate; that lowers the risk by about a third against all drives, it does not remove it"
        } else {
            "several signals are never multiplied: the weightiest counts in low and mid, hazards are added in high"
        },
        "",
        "",
        found.len() as f64,
        "no source gives joint factors; engineering judgement",
    ));
}
