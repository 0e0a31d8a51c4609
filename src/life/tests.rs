//! Lives of every kind: many random ones, a crash at every sync point, and single troubles in turn.

use super::seed::Seed;
use super::story::{Lived, Story, live};
use super::world::{World, calm};

/// Lives of seeds `from..to`; all failures at once.
fn lives(from: u64, to: u64) {
    let mut broken = Vec::new();
    let (mut released, mut crashes) = (0, 0);
    for seed in from..to {
        match live(seed) {
            Ok(lived) => {
                released += u64::from(lived.released);
                crashes += lived.crashes;
            }
            Err(e) => broken.push(e),
        }
    }
    eprintln!("{} lives, {released} released, {crashes} crashes", to - from);
    for e in broken.iter().take(5) {
        eprintln!("{e}\n");
    }
    assert!(broken.is_empty(), "{} of {} lives went wrong", broken.len(), to - from);
    assert!(released * 3 > to - from, "only {released} released");
}

#[test]
fn lives_a() {
    lives(0, 100);
}

fn one(world: &World) -> Lived {
    Story::new(world, Seed::new(1)).live().unwrap()
}

#[test]
fn a_calm_life_ends_with_a_release() {
    let lived = one(&calm(&Seed::new(3)));
    assert!(lived.released, "{lived:#?}");
}
