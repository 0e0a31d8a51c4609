//! Read errors to expect: a drive is either healthy (errors are rare) or sick (they come in
//! numbers), and what has been read so far says which is likelier. One error is enough to change
//! the plan; clean reading reassures only slowly.
//!
//! The printed specification for unrecoverable reads is no forecast: too dark for healthy drives (Gray and van Ingen 2005 moved 2 PB and met 5 errors
//! where 1 in 1e14 bits predicts 160), too bright for sick ones (errors cluster).

/// Read-error events per TB of a healthy drive (Gray and van Ingen 2005: 5 in 2 PB; derived).
pub const HEALTHY_PER_TB: f64 = 0.0025;
/// Read-error events per TB of a sick drive (engineering judgement).
pub const SICK_PER_TB: f64 = 10.0;
/// Share of drives with a latent sector error in 32 months, all drives (Bairavasundaram et al.,
/// SIGMETRICS 2007, table 1).
pub const PRIOR_ALL: f64 = 0.0345;
/// The same for nearline drives.
pub const PRIOR_NEARLINE: f64 = 0.085;
/// Share of drives that carry a strong signal, upper end (derived from Pinheiro et al., FAST 2007,
/// 3.5): what an unread drive may be.
pub const PRIOR_UNREAD: f64 = 0.17;
/// Share of drives with one error that have another within a month, larger value (Bairavasundaram
/// et al., SIGMETRICS 2007, 5.4.3).
pub const PRIOR_HISTORY: f64 = 0.62;

/// Logarithm of `(sick/healthy)^e * exp(-(sick - healthy) x)` for e events in x TB.
fn log_ratio(events: u64, terabytes: f64) -> f64 {
    let read = if terabytes.is_finite() {
        terabytes.max(0.0)
    } else {
        0.0 // an unusable figure reassures nobody
    };
    events as f64 * (SICK_PER_TB / HEALTHY_PER_TB).ln() - (SICK_PER_TB - HEALTHY_PER_TB) * read
}

/// Chance that the drive is sick, after `events` in `terabytes` read.
pub fn sick(prior: f64, events: u64, terabytes: f64) -> f64 {
    let prior = prior.clamp(1e-12, 1.0 - 1e-12);
    let log_odds = (prior / (1.0 - prior)).ln() + log_ratio(events, terabytes);
    // Both forms of the logistic, so that neither end overflows.
    if log_odds >= 0.0 {
        1.0 / (1.0 + (-log_odds).exp())
    } else {
        let odds = log_odds.exp();
        odds / (1.0 + odds)
    }
}

/// Read-error events to expect in `terabytes` more.
pub fn events_expected(sick: f64, terabytes: f64) -> f64 {
    (sick * SICK_PER_TB + (1.0 - sick) * HEALTHY_PER_TB) * terabytes.max(0.0)
}

/// Chance of at least one event in `terabytes` more.
pub fn any_event(sick: f64, terabytes: f64) -> f64 {
    let x = terabytes.max(0.0);
    sick * -(-SICK_PER_TB * x).exp_m1() + (1.0 - sick) * -(-HEALTHY_PER_TB * x).exp_m1()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derived table: events in 0.05 TB, ratio, posterior for a prior of 0.0345. The ratio is
    /// recomputed here as a quotient of two Poisson probabilities.
    #[test]
    fn events_in_fifty_gigabytes() {
        for (e, ratio, posterior) in [
            (0u64, 0.606606, 0.021216),
            (1, 2426.426, 0.988598),
            (2, 9.7057e6, 0.999997),
        ] {
            let got = log_ratio(e, 0.05).exp();
            assert!((got / ratio - 1.0).abs() < 5e-6, "{e}: {got}");
            assert!((sick(PRIOR_ALL, e, 0.05) - posterior).abs() < 6e-7);
            let poisson = |rate: f64| {
                let mean = rate * 0.05;
                let factorial: f64 = (1..=e).map(|i| i as f64).product();
                (-mean).exp() * mean.powi(e as i32) / factorial
            };
            assert!((poisson(SICK_PER_TB) / poisson(HEALTHY_PER_TB) / got - 1.0).abs() < 1e-9);
        }
    }

    /// Gray and van Ingen 2005: five errors in 2 PB.
    #[test]
    fn a_healthy_drive_is_the_one_of_the_paper() {
        assert!((events_expected(0.0, 2000.0) - 5.0).abs() < 1e-9);
    }

    #[test]
    fn extremes_stay_chances() {
        for e in [0, 1, 1000, u64::MAX] {
            for x in [0.0, 1e-9, 1.0, 1e9, f64::NAN, f64::INFINITY] {
                let p = sick(PRIOR_ALL, e, x);
                assert!((0.0..=1.0).contains(&p), "{e} {x}: {p}");
            }
        }
        assert!(sick(PRIOR_ALL, 1, 1.0) > sick(PRIOR_ALL, 0, 1.0));
        assert!(sick(PRIOR_ALL, 0, 2.0) < sick(PRIOR_ALL, 0, 1.0));
    }
}
