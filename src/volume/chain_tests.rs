//! Chains and pieces against the rules of the Microsoft FAT specification.

use super::*;
use proptest::prelude::*;

fn table(links: &[u16]) -> Table {
    let raw = links.iter().flat_map(|link| link.to_le_bytes()).collect();
    Table::new(raw, EntryForm::Bits16, links.len() as u32 - 2)
}

#[test]
fn twelve_bit_entries_share_a_byte() {
    // Microsoft FAT specification: an even entry takes the low 12 bits of the pair, an odd one the high 12.
    let raw = [0xF8, 0xFF, 0xFF, 0x03, 0x40, 0x00];
    let form = EntryForm::Bits12;
    assert_eq!(form.entry(&raw, 0), Some(0xFF8));
    assert_eq!(form.entry(&raw, 1), Some(0xFFF));
    assert_eq!(form.entry(&raw, 2), Some(0x003));
    assert_eq!(form.entry(&raw, 3), Some(0x004));
    assert_eq!(form.entry(&raw, 4), None);
}

#[test]
fn chains_end_whatever_the_table_says() {
    let t = table(&[0, 0, 3, 4, 0xFFFF, 6, 5, 7, 0, 0xFFF7, 99]);
    let mut space = Space::new(1000, 512, 9);
    let chain = space.follow(&t, 2, 100);
    assert_eq!(
        (chain.runs.clone(), chain.end),
        (vec![(2, 3)], ChainEnd::Proper)
    );
    assert_eq!(
        space.pieces(&chain, 1025),
        [Piece::Extent {
            at: 1000,
            bytes: 1025
        }]
    );
    assert_eq!(space.follow(&t, 2, 2).end, ChainEnd::Longer);
    // Before the first repetition it is a chain like any other.
    let circle = space.follow(&t, 5, 100);
    assert_eq!((circle.end, circle.runs), (ChainEnd::Loop, vec![(5, 2)]));
    let circle = space.follow(&t, 7, 100);
    assert_eq!((circle.end, circle.runs), (ChainEnd::Loop, vec![(7, 1)]));
    let circle = space.follow(&table(&[0, 0, 3, 4, 5, 6, 4]), 2, 100);
    assert_eq!((circle.end, circle.runs), (ChainEnd::Loop, vec![(2, 5)]));
    assert_eq!(
        space.follow(&t, 8, 100).end,
        ChainEnd::Broken(8, Link::Free)
    );
    assert_eq!(space.follow(&t, 9, 100).end, ChainEnd::Broken(9, Link::Bad));
    assert_eq!(
        space.follow(&t, 10, 100).end,
        ChainEnd::Broken(10, Link::Outside)
    );
    assert_eq!(
        space.follow(&t, 0, 100).end,
        ChainEnd::Broken(0, Link::Outside)
    );
    let broken = space.follow(&t, 8, 100);
    assert_eq!(
        space.pieces(&broken, 700),
        [
            Piece::Extent {
                at: 1000 + 6 * 512,
                bytes: 512
            },
            Piece::Lost { bytes: 188 }
        ]
    );
}

#[test]
fn a_cluster_with_two_owners_is_known() {
    let t = table(&[0, 0, 3, 0xFFFF, 3]);
    let mut space = Space::new(0, 512, 3);
    let (a, b) = (space.follow(&t, 2, 9), space.follow(&t, 4, 9));
    space.claim(&a);
    space.claim(&b);
    assert!(space.shared(&a) && space.shared(&b));
    assert_eq!((space.owned.count(), space.twice.count()), (3, 1));
    // Microsoft FAT specification: a cluster belongs to one chain. Whose it is nothing tells; it can be read all the same.
    let extent = |at, bytes| Piece::Extent { at, bytes };
    assert_eq!(space.pieces(&a, 1024), [extent(0, 1024)]);
    assert_eq!(
        space.pieces(&b, 1024),
        [extent(1024, 512), extent(512, 512)]
    );
    // Claimed several times over, it would fill any destination.
    for _ in 0..6 {
        space.claim(&b);
    }
    let lost = Piece::Lost { bytes: 512 };
    assert_eq!(space.pieces(&a, 1024), [extent(0, 512), lost]);
}

#[test]
fn the_other_copy_stands_in_for_entries_that_cannot_be() {
    // Microsoft FAT specification: the copies of the table are equal on a sound volume.
    let mut t = table(&[0, 0, 3, 0, 0xFFF7, 99, 0]);
    let other: [u16; 7] = [0, 0, 3, 4, 5, 6, 0xFFFF];
    t.stand_in(other.iter().flat_map(|link| link.to_le_bytes()).collect());
    let mut space = Space::new(0, 512, 5);
    let chain = space.follow(&t, 2, 9);
    assert_eq!((chain.runs, chain.end), (vec![(2, 5)], ChainEnd::Proper));
    // Both plausible and different: what follows is lost.
    let mut t = table(&[0, 0, 3, 4, 0xFFFF, 0xFFFF]);
    t.doubtful.set(3);
    let chain = space.follow(&t, 2, 9);
    assert_eq!(
        space.pieces(&chain, 1536),
        [
            Piece::Extent { at: 0, bytes: 1024 },
            Piece::Lost { bytes: 512 }
        ]
    );
}

#[test]
fn an_absurd_size_is_cut_and_told() {
    let t = table(&[0, 0, 3, 0xFFFF]);
    let mut space = Space::new(0, 512, 2);
    let chain = space.follow(&t, 2, 9);
    let (layout, why) = space.layout(&chain, 1 << 60, 100);
    assert_eq!((layout.length, layout.valid), (1536, 1536));
    assert_eq!(layout.pieces.last(), Some(&Piece::Lost { bytes: 512 }));
    assert!(why.is_some());
    let (layout, why) = space.layout(&chain, 1000, 100);
    assert_eq!((layout.valid, why), (100, None));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_table_ends(links in proptest::collection::vec(0u16..40, 3..40), start in 0u32..50) {
        let t = table(&links);
        let mut space = Space::new(0, 512, links.len() as u32 - 2);
        let chain = space.follow(&t, start, u64::MAX);
        prop_assert!(chain.clusters <= 4 * links.len() as u64);
    }

    #[test]
    fn bits_are_what_was_set(set in proptest::collection::btree_set(0u64..200, 0..50)) {
        let mut bits = Bits::new(150);
        for bit in &set { bits.set(*bit); }
        let inside = set.iter().filter(|bit| **bit < 150).count() as u64;
        prop_assert_eq!(bits.count(), inside);
        for bit in 0..210 { prop_assert_eq!(bits.has(bit), bit < 150 && set.contains(&bit)); }
    }
}
