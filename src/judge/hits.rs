//! The chance that a selected file is hit by a known-bad sector, without knowing where the bad
//! sectors lie: all in one place (the least), or each on its own (the most).
//!
//! Known-bad is a lower bound on bad, and bad sectors lie in used areas more often than chance
//! says, because waiting counts grow when the host reads. Where the list of bad sectors and the
//! file map are both known, compute the overlap instead.

/// `1 - C(N-n, k) / C(N, k)`: at least one of k bad sectors, placed independently, lies among the
/// n selected of N.
pub fn independent(drive: u64, selected: u64, bad: u64) -> f64 {
    let n = selected.min(drive);
    let k = bad.min(drive);
    if n == 0 || k == 0 {
        return 0.0;
    }
    if k > drive - n {
        return 1.0;
    }
    // The quotient is symmetric in n and k: the shorter product will do.
    let (terms, other) = if k <= n { (k, n) } else { (n, k) };
    let (total, other) = (drive as f64, other as f64);
    let term = |i: f64| (-other / (total - i)).ln_1p();
    const EXACT: u64 = 20_000;
    let mut log = 0.0;
    if terms <= EXACT {
        for i in 0..terms {
            log += term(i as f64);
            if log < -60.0 {
                return 1.0;
            }
        }
    } else {
        // A sum of a smooth function: the midpoint integral by Simpson's rule.
        let (a, b) = (-0.5, terms as f64 - 0.5);
        let pieces = 4000;
        let width = (b - a) / f64::from(pieces);
        for i in 0..=pieces {
            let weight = if i == 0 || i == pieces {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            };
            log += weight * term(a + width * f64::from(i)) * width / 3.0;
        }
    }
    -log.exp_m1()
}

/// `1 - (1 + mu/r)^(-r)` with `mu = k f`: clusters of unknown grouping; a small r is strong
/// clustering (0.1 to 0.5, engineering judgement).
pub fn negative_binomial(share: f64, bad: u64, r: f64) -> f64 {
    -(-r * (bad as f64 * share / r).ln_1p()).exp_m1()
}

/// `sum over files of 1 - (1 - (s + L - 1)/N)^c` for `files` equal contiguous pieces of
/// `file_sectors`.
pub fn files_expected(
    drive: u64,
    files: f64,
    file_sectors: f64,
    group_sectors: u64,
    groups: u64,
) -> f64 {
    if drive == 0 || files.is_nan() || files <= 0.0 {
        return 0.0;
    }
    let reach = file_sectors.max(0.0) + group_sectors.saturating_sub(1) as f64;
    files * at_least_one((reach / drive as f64).min(1.0), groups)
}

/// `1 - (1 - p)^c`.
fn at_least_one(p: f64, tries: u64) -> f64 {
    if tries == 0 || p <= 0.0 {
        0.0
    } else if p >= 1.0 {
        1.0
    } else {
        -(tries as f64 * (-p).ln_1p()).exp_m1()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const TB: u64 = 1_953_525_168;

    /// Derived table for 1 TB of 512-byte sectors; the independent column is recomputed by
    /// enumeration in `independent_by_enumeration`, the others are closed forms.
    #[test]
    fn the_table_of_one_terabyte() {
        let rows = [
            (0.05, 1, 0.050000, 0.046537, 0.039735, 0.050000),
            (0.05, 8, 0.336580, 0.254644, 0.148660, 0.050000),
            (0.05, 64, 0.962476, 0.632393, 0.295066, 0.336580),
            (0.05, 500, 1.000000, 0.859972, 0.424517, 0.960501),
            (0.20, 1, 0.200000, 0.154846, 0.104042, 0.200000),
            (0.20, 8, 0.832228, 0.512050, 0.246722, 0.200000),
            (0.20, 64, 0.999999, 0.806108, 0.384907, 0.832228),
            (0.20, 500, 1.000000, 0.929465, 0.498863, 0.999999),
            (0.60, 1, 0.600000, 0.325800, 0.176829, 0.600000),
            (0.60, 8, 0.999345, 0.692852, 0.322389, 0.600000),
            (0.60, 64, 1.000000, 0.886627, 0.448616, 0.999345),
            (0.60, 500, 1.000000, 0.959209, 0.550972, 1.000000),
        ];
        for (f, k, hyper, half, tenth, eight) in rows {
            let n = (f * TB as f64).floor() as u64;
            let near = |got: f64, want: f64, what: &str| {
                assert!((got - want).abs() < 6e-7, "{what} f={f} k={k}: {got}");
            };
            near(independent(TB, n, k), hyper, "independent");
            near(negative_binomial(f, k, 0.5), half, "r = 0.5");
            near(negative_binomial(f, k, 0.1), tenth, "r = 0.1");
            let groups = files_expected(TB, 1.0, n as f64, 1, k.div_ceil(8));
            near(groups, eight, "groups of 8");
        }
        let small = independent(10_000, 2_000, 64);
        assert!((small - 0.9999994032864).abs() < 1e-12, "{small}");
    }

    /// Derived table: 20,000 files of 19,531 sectors.
    #[test]
    fn files_hit_of_twenty_thousand() {
        let (m, s) = (20_000.0, 19_531.0);
        for (k, group, want) in [
            (8u64, 1u64, 1.5996),
            (8, 8, 0.2000),
            (8, 64, 0.2006),
            (64, 1, 12.7932),
            (64, 8, 1.6002),
            (64, 64, 0.2006),
            (500, 1, 99.7293),
        ] {
            let got = files_expected(TB, m, s, group, k.div_ceil(group));
            assert!((got - want).abs() < 6e-5, "k={k} L={group}: {got}");
        }
        assert!((files_expected(TB, m, s, 8, 62) - 12.3980).abs() < 6e-5);
        assert!((files_expected(TB, m, s, 64, 8) - 1.6048).abs() < 6e-5);
    }

    /// Derived: with the edge term, N = 1e6, 200 files of 1,000 sectors, k = 64.
    #[test]
    fn the_edge_term_agrees_with_placing_groups_by_hand() {
        for (group, groups, e) in [(1u64, 64u64, 12.405), (8, 8, 1.606), (64, 1, 0.213)] {
            let files = files_expected(1_000_000, 200.0, 1000.0, group, groups);
            assert!((files - e).abs() < 6e-4, "L={group}: {files}");
        }
        // One group of L on a ring, every position tried: two files of 10 in 100 sectors, which no group hits both of.
        for group in [1usize, 3, 8] {
            let hit = (0..100usize)
                .filter(|start| {
                    (0..group).any(|i| {
                        let at = (start + i) % 100;
                        (20..30).contains(&at) || (60..70).contains(&at)
                    })
                })
                .count();
            let got = files_expected(100, 2.0, 10.0, group as u64, 1);
            assert!((got - hit as f64 / 100.0).abs() < 1e-12);
        }
    }

    #[test]
    fn independent_by_enumeration() {
        // Every subset of k of N sectors, by bit masks; the first n are selected.
        for (total, n, k) in [(12u32, 5u32, 3u32), (14, 2, 7), (10, 9, 1), (13, 6, 6)] {
            let (mut all, mut hit) = (0u64, 0u64);
            for set in 0u32..1 << total {
                if set.count_ones() == k {
                    all += 1;
                    hit += u64::from(set & ((1 << n) - 1) != 0);
                }
            }
            let got = independent(u64::from(total), u64::from(n), u64::from(k));
            assert!((got - hit as f64 / all as f64).abs() < 1e-12);
        }
    }

    #[test]
    fn long_sums_join_the_exact_ones() {
        // Around the border between the exact product and the integral.
        let exact = independent(TB, 40_000, 20_000);
        let integral = independent(TB, 40_000, 20_001);
        assert!(integral > exact && (integral - exact) / exact < 1e-4);
        // Derived: -ln(1-P) = k n / N to first order.
        let want = 1.0 - (-(40_000.0 * 30_000.0 / TB as f64)).exp();
        assert!((independent(TB, 40_000, 30_000) / want - 1.0).abs() < 1e-4);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn chances_in_range_and_rising(drive in 0u64..=u64::MAX, selected in any::<u64>(), bad in any::<u64>()) {
            let p = independent(drive, selected, bad);
            prop_assert!((0.0..=1.0).contains(&p), "{}", p);
            let q = files_expected(drive, 1.0, selected as f64, 8, bad);
            prop_assert!((0.0..=1.0).contains(&q), "{}", q);
        }

        #[test]
        fn more_bad_sectors_never_lower_it(n in 1u64..100_000, k in 0u64..500) {
            let total = 1_000_000;
            prop_assert!(independent(total, n, k + 1) >= independent(total, n, k));
            let files = |bad| files_expected(total, 10.0, n as f64, 8, bad);
            prop_assert!(files(k + 1) >= files(k));
        }
    }
}
