//! The forecast: how likely the drive is lost before the copy ends, how likely files are hit by
//! sectors that do not read, and how long it takes. Always a range, always with its working.
//!
//! No source gives a probability for hours of copying: every figure on that scale is an
//! extrapolation from weeks and months, and no study covers drives on a repair bench. The width
//! of the range says so.
//!
//! Invariant: worse evidence never lowers the high end; low <= mid <= high; no input, however
//! broken, gives anything but finite numbers.

use super::factors::{Factor, factors, high_shape, left_aside, media_growth, unread_reads};
use super::hazard::{
    Background, WORSENING_HALF_LIFE, WORSENING_SHARE, background, chance, hazard_60,
    hazard_between, sixty_day_chance, worsening, yearly_hazard,
};
use super::situation::{Machine, PaceSource, Situation, Symptom, plausible};
use super::working::{Line, chance_in_words, digits, range_in_words};
use super::{hits, memory, two_state};
use crate::drive::evidence::{Evidence, EvidenceMedium};
use crate::drive::signal::SignalId;
use crate::value::Probability;
use schemars::JsonSchema;
use serde::Serialize;

/// Chance of losing the drive before the copy ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct DriveLost {
    /// Every doubt in the drive's favour.
    pub low: Probability,
    /// The middle of the judgement, not an average.
    pub mid: Probability,
    /// Every doubt against it.
    pub high: Probability,
}

/// Chance that at least one file of the plan is hit by a sector that does not read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct FilesHit {
    /// All bad sectors in one place.
    pub low: Probability,
    /// Every bad sector on its own.
    pub high: Probability,
    /// Number of files to expect.
    pub expected: f64,
}

/// Hours of reading that remain, all passes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Hours {
    /// At the pace, nothing tried again.
    pub low: f64,
    /// With an allowance for retries and for moving between files.
    pub mid: f64,
    /// With a wide allowance, and time limits at known-bad places.
    pub high: f64,
}

/// The class of the high end. A range, not a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
pub enum Grade {
    /// Below 0.5 %.
    #[serde(rename = "below-half-percent")]
    BelowHalf,
    /// 0.5 % up to 5 %.
    #[serde(rename = "half-to-5-percent")]
    HalfToFive,
    /// 5 % up to 20 %.
    #[serde(rename = "5-to-20-percent")]
    FiveToTwenty,
    /// 20 % or more.
    #[serde(rename = "above-20-percent")]
    AboveTwenty,
}

impl Grade {
    /// The class of a high end (borders: engineering judgement).
    pub fn of(high: Probability) -> Self {
        match high.get() {
            p if p < 0.005 => Grade::BelowHalf,
            p if p < 0.05 => Grade::HalfToFive,
            p if p < 0.20 => Grade::FiveToTwenty,
            _ => Grade::AboveTwenty,
        }
    }

    /// The class in words.
    pub fn words(self) -> &'static str {
        match self {
            Grade::BelowHalf => "below 0.5 %",
            Grade::HalfToFive => "0.5 to 5 %",
            Grade::FiveToTwenty => "5 to 20 %",
            Grade::AboveTwenty => "above 20 %",
        }
    }
}

/// What copying this drive is likely to bring.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Forecast {
    /// Chance of losing the drive.
    pub drive_lost: DriveLost,
    /// Chance of files with gaps.
    pub files_hit: FilesHit,
    /// Time.
    pub hours: Hours,
    /// Every step, factor, value and source.
    pub working: Vec<Line>,
    /// The class of the high end.
    pub grade: Grade,
    /// Hazard of losing the drive per second of copying (mid), for the order of copying.
    #[serde(skip)]
    pub hazard_per_second: f64,
    /// The signals that moved the forecast.
    #[serde(skip)]
    pub moved_by: Vec<SignalId>,
    /// Why the drive counts as getting worse while it is read; empty = it does not.
    #[serde(skip)]
    pub worsening: Vec<String>,
}

impl Forecast {
    /// The chance of losing the drive as a sentence ("below 0.1 % to 15 %").
    pub fn drive_lost_in_words(&self) -> String {
        range_in_words(self.drive_lost.low, self.drive_lost.high)
    }

    /// The chance of hit files as a sentence ("19 % to 93 %").
    pub fn files_hit_in_words(&self) -> String {
        range_in_words(self.files_hit.low, self.files_hit.high)
    }

    /// The working as text for `--explain`, one line each.
    pub fn explain(&self) -> Vec<String> {
        self.working.iter().map(Line::text).collect()
    }
}

/// Factor for a drive that was moved, dropped or brought in because of trouble, and is read
/// without a pause (engineering judgement: no study covers such drives).
pub const BENCH_FACTOR: [f64; 3] = [1.0, 2.0, 5.0];

/// Allowance for retries on the reading time, low / mid / high (engineering judgement).
pub const RETRY_ALLOWANCE: [f64; 3] = [1.0, 1.5, 3.0];

const COLUMN: [&str; 3] = ["low", "mid", "high"];
const JUDGEMENT: &str = "engineering judgement";

/// Seconds that moving to another extent costs.
fn seek_seconds(medium: Option<EvidenceMedium>) -> f64 {
    match medium {
        Some(EvidenceMedium::Disk) | None => 0.015,
        Some(_) => 0.0002,
    }
}

/// Makes the forecast.
pub fn forecast(e: &Evidence, s: &Situation) -> Forecast {
    let mut working = Vec::new();
    let sectors = Sectors::of(e, s);
    let (hours, days) = time(e, s, &sectors, &mut working);
    let found = factors(e, s);
    let worse = worsening_reasons(e, s);
    let (drive_lost, lambda_mid) = lost(e, s, &found, &worse, days, &mut working);
    let grade = Grade::of(drive_lost.high);
    working.push(Line::new(
        format!(
            "the drive is lost before the copy ends: {}; the high end lies in the class {}",
            range_in_words(drive_lost.low, drive_lost.high),
            grade.words()
        ),
        "",
        "",
        drive_lost.high.get(),
        "classes: engineering judgement",
    ));
    let files_hit = files(e, s, &sectors, &mut working);
    working.extend(memory::lines(s.memory));
    working.push(Line::new(
        match s.machine {
            Machine::Bench => {
                "the copy runs on the shop's own machine; its faults are not in these figures"
            }
            Machine::UnderRepair => {
                "the copy runs on the machine under repair; its crashes are not in these figures, and a blue screen does not convict the drive"
            }
        },
        "",
        "",
        1.0,
        "direction only: Zhang et al., DATE 2023; Nightingale et al., EuroSys 2011",
    ));
    working.push(Line::new(
        format!("left aside: {}", left_aside()),
        "",
        "",
        1.0,
        "as named",
    ));
    working.push(Line::new(
        "a clean reading is no promise: share of failed disks that showed none of the four strong signals",
        "",
        "",
        0.56,
        "Pinheiro et al., FAST 2007, 3.5.6 (over 56 %)",
    ));
    let copy_seconds = days[1] * 86_400.0;
    Forecast {
        drive_lost,
        files_hit,
        hours,
        working,
        grade,
        hazard_per_second: if copy_seconds > 0.0 {
            lambda_mid / copy_seconds
        } else {
            0.0
        },
        moved_by: found.iter().filter_map(|f| f.signal).collect(),
        worsening: worse.into_iter().map(|w| w.why).collect(),
    }
}

/// Sector arithmetic of a situation.
struct Sectors {
    /// Of the drive; `None` = capacity not known.
    drive: Option<u64>,
    /// Of the plan, one pass.
    plan: u64,
    /// Share of the drive that the plan reads; 1 when the capacity is not known.
    share: f64,
    /// Known bad now.
    bad: u64,
    /// Logical sectors that become unreadable together.
    group: u64,
}

impl Sectors {
    fn of(e: &Evidence, s: &Situation) -> Self {
        let size = u64::from(s.sector_bytes.max(1));
        let drive = s.drive_bytes.map(|b| b / size).filter(|n| *n > 0);
        let plan = s.pass_bytes() / size;
        let plan = drive.map_or(plan, |n| plan.min(n));
        let bad = e
            .sectors_awaiting
            .unwrap_or(0)
            .max(e.scan_unreadable.unwrap_or(0));
        Self {
            drive,
            plan,
            share: drive.map_or(1.0, |n| plan as f64 / n as f64),
            bad: drive.map_or(bad, |n| bad.min(n)),
            group: (u64::from(s.physical_sector_bytes) / size).clamp(1, 128),
        }
    }

    fn groups(&self) -> u64 {
        self.bad.div_ceil(self.group)
    }
}

/// Hours left, and the days that the hazard acts, low / mid / high.
fn time(
    e: &Evidence,
    s: &Situation,
    sectors: &Sectors,
    working: &mut Vec<Line>,
) -> (Hours, [f64; 3]) {
    let pace = s.pace.usable(e.medium);
    let sampled = pace.source == PaceSource::Sampled;
    if s.plan_bytes.is_none() {
        working.push(Line::new(
            "no plan yet: the whole drive is taken as what is to be read",
            "",
            "",
            s.pass_bytes() as f64,
            match s.drive_bytes {
                Some(_) => "capacity as reported",
                None => "capacity not known either: 1 TB is assumed",
            },
        ));
    }
    let left = s.bytes_left();
    let whole = (s.pass_bytes() as f64 * s.passes()).max(1.0);
    let reading = left / pace.bytes_per_second / 3600.0;
    working.push(Line::new(
        "hours at the pace, nothing tried again",
        "bytes left / pace / 3600",
        format!(
            "bytes left = {} ({} passes of {}, {} read), pace = {} bytes/s",
            digits(left),
            digits(s.passes()),
            s.pass_bytes(),
            s.bytes_read,
            digits(pace.bytes_per_second)
        ),
        reading,
        if sampled {
            "pace sampled on this drive"
        } else {
            "pace: what drives of this kind usually do, not sampled (engineering judgement)"
        },
    ));
    let moves = s.extents.max(s.files) as f64 * s.passes() * (left / whole);
    let moving = moves * seek_seconds(e.medium) / 3600.0;
    let bad = sectors.groups().min(100_000) as f64 * sectors.share * 30.0 / 3600.0;
    // A pace that was not sampled may be off by a factor of two either way (engineering judgement).
    let doubt = if sampled { 1.0 } else { 2.0 };
    let hours = Hours {
        low: reading * RETRY_ALLOWANCE[0] / doubt,
        mid: reading * RETRY_ALLOWANCE[1] + moving,
        high: reading * RETRY_ALLOWANCE[2] * doubt + 2.0 * moving + bad,
    };
    let rows = [
        (hours.low, "hours at the pace * allowance / doubt", 0.0, 0.0),
        (
            hours.mid,
            "hours at the pace * allowance + moving",
            moving,
            0.0,
        ),
        (
            hours.high,
            "hours at the pace * allowance * doubt + moving + bad places",
            2.0 * moving,
            bad,
        ),
    ];
    for ((column, allowance), (value, formula, moving, bad)) in
        COLUMN.iter().zip(RETRY_ALLOWANCE).zip(rows)
    {
        working.push(Line::new(
            format!("hours left, {column}"),
            formula,
            format!(
                "hours at the pace = {}, allowance = {}, doubt = {}, moving = {}, bad places = {}",
                digits(reading),
                digits(allowance),
                digits(doubt),
                digits(moving),
                digits(bad)
            ),
            value,
            JUDGEMENT,
        ));
    }
    let mid = hours.mid / 24.0;
    (
        hours,
        [mid, mid, if sampled { mid } else { hours.high / 24.0 }],
    )
}

/// Why a drive counts as getting worse, and in which columns.
struct Worse {
    why: String,
    columns: [bool; 3],
}

fn worsening_reasons(e: &Evidence, s: &Situation) -> Vec<Worse> {
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

fn lost(
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
    let b60 = sixty_day_chance(class.reference);
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
        "1 - (1 - AFRref)^(60 / 365)",
        format!("AFRref = {}", digits(class.reference)),
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

fn files(e: &Evidence, s: &Situation, n: &Sectors, working: &mut Vec<Line>) -> FilesHit {
    let mut low = 0.0f64;
    let mut high = 0.0f64;
    let mut expected = 0.0f64;
    if n.bad > 0 {
        let groups = n.groups();
        let share = format!("f = {}", digits(n.share));
        low = n.share;
        working.push(Line::new(
            "files hit if all known-bad sectors lie in one place",
            "f",
            share.clone(),
            low,
            "derived: one cluster against the share that the plan reads",
        ));
        let by_group = -(groups as f64 * (-n.share.min(1.0)).ln_1p()).exp_m1();
        working.push(Line::new(
            "files hit if each physical sector is bad on its own",
            "1 - (1 - f)^groups",
            format!("{share}, groups = {groups} (of {} sectors)", n.group),
            by_group,
            "derived: clusters placed independently",
        ));
        working.push(Line::new(
            "files hit under strong but unknown clustering (r = 0.5)",
            "1 - (1 + bad * f / r)^(-r)",
            format!("bad = {}, {share}, r = 0.5", n.bad),
            hits::negative_binomial(n.share, n.bad, 0.5),
            "negative binomial; direction: Bairavasundaram et al., SIGMETRICS 2007, 5.4; r: engineering judgement",
        ));
        high = match n.drive {
            Some(drive) => hits::independent(drive, n.plan, n.bad),
            None => 1.0,
        };
        working.push(Line::new(
            "files hit if every known-bad sector lies on its own",
            "1 - C(N - n, k) / C(N, k), close to 1 - (1 - f)^k",
            match n.drive {
                Some(drive) => format!("N = {drive}, n = {}, k = {}, {share}", n.plan, n.bad),
                None => format!("capacity not known: f taken as 1, k = {}", n.bad),
            },
            high,
            "hypergeometric; waiting sectors lie in used areas more often than chance says",
        ));
        let (files, file) = if s.files > 0 {
            (s.files as f64, n.plan as f64 / s.files as f64)
        } else {
            (0.0, 0.0)
        };
        expected = match n.drive {
            Some(drive) if s.files > 0 => hits::files_expected(drive, files, file, n.group, groups),
            _ => groups as f64 * n.share,
        };
        working.push(Line::new(
            "number of files hit, each physical sector bad on its own",
            if s.files > 0 {
                "files * (1 - (1 - (s + L - 1) / N)^groups)"
            } else {
                "groups * f (files not counted yet)"
            },
            format!(
                "files = {}, s = {} sectors, L = {}, groups = {groups}, {share}",
                digits(files),
                digits(file),
                n.group
            ),
            expected,
            "derived; files taken as equal and in one piece",
        ));
    }
    let (p_low, p_high, events) = unknown_bad(e, s, working);
    low = low.max(p_low);
    high = high.max(p_high).max(low);
    let most = if s.files > 0 {
        s.files as f64
    } else {
        f64::MAX
    };
    expected = expected.max(events).min(most);
    working.push(Line::new(
        format!(
            "at least one file is hit: {}",
            range_in_words(Probability::new(low), Probability::new(high))
        ),
        "the larger of known-bad and still unknown, at either end",
        "",
        high,
        "known-bad is a lower bound on bad",
    ));
    FilesHit {
        low: Probability::new(low),
        high: Probability::new(high),
        expected: if expected.is_finite() { expected } else { most },
    }
}

/// Errors that nobody knows of yet: the two-state update.
fn unknown_bad(e: &Evidence, s: &Situation, working: &mut Vec<Line>) -> (f64, f64, f64) {
    let read = s.bytes_read as f64 / 1e12;
    let left = s.bytes_left() / s.passes() / 1e12;
    let unread = super::factors::blind(e);
    let history = unread_reads(e).is_some_and(|n| n > 0)
        || e.self_test_read_failed
        || e.sectors_awaiting.is_some_and(|n| n > 0)
        || media_growth(e);
    let (prior, source) = if history {
        (
            two_state::PRIOR_HISTORY,
            "Bairavasundaram et al., SIGMETRICS 2007, 5.4.3: affected drives with another error within a month (54.8 to 62 %)",
        )
    } else if unread {
        (
            two_state::PRIOR_UNREAD,
            "health not known: upper share of disks that carry a strong signal, derived from Pinheiro et al., FAST 2007, 3.5",
        )
    } else {
        (
            two_state::PRIOR_NEARLINE,
            "Bairavasundaram et al., SIGMETRICS 2007, table 1: nearline drives with an error in 32 months",
        )
    };
    let high_state = two_state::sick(prior, s.errors_met, read);
    let mid_state = two_state::sick(two_state::PRIOR_ALL.min(prior), s.errors_met, read);
    for (name, prior, state, source) in [
        (
            "mid",
            two_state::PRIOR_ALL.min(prior),
            mid_state,
            "Bairavasundaram et al., SIGMETRICS 2007, table 1: all drives",
        ),
        ("high", prior, high_state, source),
    ] {
        working.push(Line::new(
            format!("the drive is one that errs often, {name}"),
            "odds / (1 + odds), odds = prior / (1 - prior) * (sick / healthy)^events * exp(-(sick - healthy) * TB)",
            format!(
                "prior = {}, events = {}, TB = {}, sick = {}, healthy = {}",
                digits(prior),
                s.errors_met,
                digits(read),
                digits(two_state::SICK_PER_TB),
                digits(two_state::HEALTHY_PER_TB)
            ),
            state,
            format!(
                "{source}; healthy: Gray and van Ingen 2005 (5 in 2 PB); sick: engineering judgement"
            ),
        ));
    }
    let low = -(-two_state::HEALTHY_PER_TB * left).exp_m1();
    let low = if s.errors_met > 0 {
        two_state::any_event(mid_state, left)
    } else {
        low
    };
    let high = two_state::any_event(high_state, left);
    let events = two_state::events_expected(mid_state, left);
    for (name, value) in [("low", low), ("high", high)] {
        working.push(Line::new(
            format!(
                "an error not yet known in what is left, {name}: {}",
                chance_in_words(Probability::new(value))
            ),
            "state * (1 - exp(-sick * left)) + (1 - state) * (1 - exp(-healthy * left))",
            format!(
                "state = {}, left = {} TB, sick = {}, healthy = {}",
                digits(match name {
                    "high" => high_state,
                    _ if s.errors_met > 0 => mid_state,
                    _ => 0.0,
                }),
                digits(left),
                digits(two_state::SICK_PER_TB),
                digits(two_state::HEALTHY_PER_TB)
            ),
            value,
            "two-state mixture; derived",
        ));
    }
    (low, high.max(low), events)
}

#[cfg(test)]
mod tests;
