//! The gate: one pure function of the ledger's rows and facts, the policy and the world as it
//! is now. A fold: [`Gate::see`] for every item, then [`Gate::close`].
//!
//! Invariant: unknown is hold. Removing any piece of evidence never turns a hold into a release,
//! and only this module can make a [`Release`].

pub use super::evidence::*;
use super::point::{Point, sort, things};
use crate::policy::Step;
use crate::survey::item::{Class, Got, Kind, Mark, Marks};
use crate::value::measure::bytes_in_words;
use crate::value::words::{WaiverScope, Who};
use crate::value::{Blake3, Moment};

/// What the gate came to.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// On hold.
    Hold(Vec<Point>),
    /// Released.
    Release(Release),
}

/// The proof that the gate let through. Nothing else can make one, and only it can be signed.
#[derive(Debug, Clone, PartialEq)]
pub struct Release {
    at: Moment,
    items: u64,
    bytes: u64,
    practice: bool,
    private: (),
}

impl Release {
    /// When.
    pub fn at(&self) -> Moment {
        self.at
    }
    /// Items proven to be saved.
    pub fn items(&self) -> u64 {
        self.items
    }
    /// Their bytes.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }
    /// Whether it is for practice only and releases nothing.
    pub fn practice(&self) -> bool {
        self.practice
    }
}

/// One kind of open items, gathered while folding.
#[derive(Debug, Clone)]
struct Pile {
    id: &'static str,
    count: u64,
    bytes: u64,
    precious: u64,
    /// How many of them have a copy, though none that counts.
    elsewhere: u64,
    /// How many of them were listed once and are no longer at the source.
    gone: u64,
    set: blake3::Hasher,
}

impl Pile {
    fn new(id: &'static str) -> Self {
        Self {
            id,
            count: 0,
            bytes: 0,
            precious: 0,
            elsewhere: 0,
            gone: 0,
            set: blake3::Hasher::new(),
        }
    }

    fn add(&mut self, item: &ItemSeen) {
        self.count += 1;
        self.bytes += item.bytes;
        self.precious += u64::from(item.class == Class::Irreplaceable);
        self.elsewhere += u64::from(item.got == Got::Whole && item.written != 0);
        self.gone += u64::from(item.marks.has(Mark::Gone));
        self.set.update(&set_entry(
            item.id,
            item.bytes,
            item.modified_ns,
            item.missing_bytes,
        ));
    }

    fn digest(&self) -> Blake3 {
        Blake3(*self.set.finalize().as_bytes())
    }
}

/// One item's part of a frozen set.
pub fn set_entry(id: i64, bytes: u64, modified_ns: i64, missing_bytes: u64) -> [u8; 32] {
    let mut out = [0u8; 32];
    out[..8].copy_from_slice(&id.to_le_bytes());
    out[8..16].copy_from_slice(&bytes.to_le_bytes());
    out[16..24].copy_from_slice(&modified_ns.to_le_bytes());
    out[24..].copy_from_slice(&missing_bytes.to_le_bytes());
    out
}

const PILES: [&str; 12] = [
    "not-copied",
    "changed-items",
    "unreadable-items",
    "damaged-items",
    "folders-unreadable",
    "mounts-not-entered",
    "unknown-tags",
    "not-verified",
    "single-copy",
    "placeholders",
    "efs-keys",
    "copy-differs",
];

/// The gate while it folds.
pub struct Gate {
    rules: GateRules,
    counting: u64,
    piles: Vec<Pile>,
    disagree: Pile,
    by_waiver: std::collections::BTreeMap<i64, blake3::Hasher>,
    /// Waivers that give up irreplaceable items, and whether any of those was never tried.
    precious: std::collections::BTreeMap<i64, bool>,
    /// Something irreplaceable is wanted, and saved or still to be.
    precious_left: bool,
    saved_items: u64,
    saved_bytes: u64,
}

impl Gate {
    /// A gate for these rules; `counting` has a bit for every destination whose copies count.
    pub fn new(rules: GateRules, counting: u64) -> Self {
        Self {
            rules,
            counting,
            piles: PILES.iter().map(|id| Pile::new(id)).collect(),
            disagree: Pile::new("reads-disagree"),
            by_waiver: Default::default(),
            precious: Default::default(),
            precious_left: false,
            saved_items: 0,
            saved_bytes: 0,
        }
    }

    fn pile(&mut self, id: &str, item: &ItemSeen) {
        if let Some(pile) = self.piles.iter_mut().find(|pile| pile.id == id) {
            pile.add(item);
        }
    }

    /// What the point about items of this id stands for, of the items seen so far.
    pub fn set_of(&self, id: &str) -> Option<Blake3> {
        let pile = self.piles.iter().find(|pile| pile.id == id)?;
        Some(pile.digest())
    }

    /// Looks at one item. Call in the order of the items' numbers, once each.
    pub fn see(&mut self, item: &ItemSeen) {
        if item.class == Class::Irreplaceable && item.kind == Kind::File && !item.left_out {
            self.weigh_precious(item);
        }
        if item.waiver != 0 {
            self.by_waiver
                .entry(item.waiver)
                .or_default()
                .update(&set_entry(
                    item.id,
                    item.bytes,
                    item.modified_ns,
                    item.missing_bytes,
                ));
            return;
        }
        if item.left_out {
            return;
        }
        if item.marks.has(Mark::OtherMount) {
            return self.pile("mounts-not-entered", item);
        }
        if item.marks.has(Mark::UnknownTag) || item.marks.has(Mark::Deduplicated) {
            return self.pile("unknown-tags", item);
        }
        if item.kind == Kind::Folder && item.marks.has(Mark::Unreadable) {
            return self.pile("folders-unreadable", item);
        }
        if item.kind != Kind::File {
            if item.marks.has(Mark::Unreadable) {
                return self.pile("unreadable-items", item);
            }
            return;
        }
        if item.reads_disagree {
            self.disagree.add(item);
        }
        if item.marks.has(Mark::Placeholder) {
            return self.pile("placeholders", item);
        }
        if item.marks.has(Mark::Efs) {
            // Without its key the bytes are worth nothing, copied or not: that is the one thing to decide about.
            self.pile("efs-keys", item);
            if item.got == Got::Nothing {
                return;
            }
        }
        match item.got {
            Got::Nothing => return self.pile("not-copied", item),
            Got::Changed => return self.pile("changed-items", item),
            Got::Unreadable => return self.pile("unreadable-items", item),
            Got::Gaps => self.pile("damaged-items", item),
            // All its bytes were read, but the file table contradicts itself about it.
            Got::Whole if item.marks.has(Mark::Damaged) => self.pile("damaged-items", item),
            Got::Whole => {}
        }
        if item.mismatch != 0 {
            self.pile("copy-differs", item);
        }
        let verified = (item.verified & !item.mismatch & self.counting).count_ones();
        let written = (item.written & self.counting).count_ones();
        let place = Class::ALL
            .iter()
            .position(|class| *class == item.class)
            .unwrap_or(0);
        let wanted = self.rules.copies[place].max(1);
        if verified == 0 {
            return self.pile(
                if written == 0 {
                    "not-copied"
                } else {
                    "not-verified"
                },
                item,
            );
        }
        if verified < wanted {
            // A copy that exists but was not read back yet is a missing verification, not a missing copy.
            return self.pile(
                if written >= wanted && item.mismatch == 0 {
                    "not-verified"
                } else {
                    "single-copy"
                },
                item,
            );
        }
        if item.got == Got::Whole && !item.marks.has(Mark::Damaged) {
            self.saved_items += 1;
            self.saved_bytes += item.bytes;
        }
    }

    /// Keeps account of the irreplaceable class: what of it is left, and what of it was given up untried.
    fn weigh_precious(&mut self, item: &ItemSeen) {
        let out_of_reach = Marks::of(&[Mark::Unreadable, Mark::OtherMount]);
        let gone = item.marks.has(Mark::Gone) && item.got == Got::Nothing;
        let can_be_had = !item.marks.any(Marks::without_content())
            && !item.marks.any(out_of_reach)
            && item.got != Got::Unreadable
            && !gone;
        if item.waiver == 0 {
            self.precious_left |= can_be_had;
        } else {
            let untried = can_be_had && item.got == Got::Nothing;
            *self.precious.entry(item.waiver).or_default() |= untried;
        }
    }

    /// Whether decisions about single things together give up the whole irreplaceable class, and some of it untried.
    /// Only a no-rescue order can. Call after every item was seen.
    pub fn gives_up_the_class(&self) -> bool {
        !self.precious_left && self.precious.values().any(|untried| *untried)
    }

    /// Whether one item, by itself, leaves anything open.
    pub fn is_open(rules: &GateRules, counting: u64, item: &ItemSeen) -> bool {
        let mut gate = Self::new(rules.clone(), counting);
        gate.see(item);
        gate.disagree.count > 0 || gate.piles.iter().any(|pile| pile.count > 0)
    }

    /// Decisions that do not hold: they no longer cover what they froze, or together they give up what only a no-rescue
    /// order can. Call after every item was seen.
    ///
    /// What was decided anew about the same thing is held to the newer decision, and one whose things are all gone
    /// gives nothing up any more.
    pub fn lapsed<'w>(&self, waivers: &'w [WaiverSeen]) -> Vec<&'w WaiverSeen> {
        let is_replaced = |waiver: &WaiverSeen| {
            waivers.iter().any(|later| {
                later.number > waiver.number
                    && (&later.scope, &later.about) == (&waiver.scope, &waiver.about)
            })
        };
        waivers
            .iter()
            .filter(|waiver| waiver.scope != WaiverScope::Point && !is_replaced(waiver))
            .filter(|waiver| {
                let now = self.by_waiver.get(&waiver.number);
                let changed =
                    |now: &blake3::Hasher| Blake3(*now.finalize().as_bytes()) != waiver.set;
                now.is_some_and(changed) || self.is_too_much(waiver, waivers)
            })
            .collect()
    }

    /// Whether a decision is one of those that together give up the whole irreplaceable class.
    fn is_too_much(&self, waiver: &WaiverSeen, waivers: &[WaiverSeen]) -> bool {
        let no_rescue =
            |waiver: &WaiverSeen| waiver.scope == WaiverScope::NoRescue && waiver.by_owner;
        self.precious.get(&waiver.number) == Some(&true)
            && self.gives_up_the_class()
            && !waivers.iter().any(no_rescue)
    }

    /// Closes the fold over the items with everything else.
    pub fn close(mut self, now: &Now) -> Verdict {
        let mut points = now.found.clone();
        points.extend(super::gate_points::of_the_world(&self.rules, now));
        let piles = std::mem::take(&mut self.piles);
        for pile in piles.iter().filter(|pile| pile.count > 0) {
            points.push(self.item_point(pile));
        }
        if self.disagree.count > 0 {
            let mut point = Point::plain(
                "reads-disagree",
                Who::Nobody,
                format!(
                    "{} gave different bytes when they were read a second time",
                    things(self.disagree.count, "item", "items")
                ),
                bytes_in_words(self.disagree.bytes),
                "two readings of the source into different memory are not equal",
                "move the drive to a machine with sound memory, open a new job there and copy again",
            );
            (point.count, point.bytes, point.set) = (
                self.disagree.count,
                self.disagree.bytes,
                self.disagree.digest(),
            );
            points.push(point);
        }
        self.check_waivers(now, &mut points);
        let (decided, mut points): (Vec<Point>, Vec<Point>) = points
            .into_iter()
            .partition(|point| self.settled(point, &now.waivers));
        if points.is_empty()
            && let Some(step) = self.wants_look(&piles, &decided, &now.waivers)
        {
            points.extend(super::gate_points::second_look(step, &now.second_look));
        }
        if points.is_empty() {
            let release = Release {
                at: now.at,
                items: self.saved_items,
                bytes: self.saved_bytes,
                practice: self.rules.practice,
                private: (),
            };
            return Verdict::Release(release);
        }
        sort(&mut points);
        Verdict::Hold(points)
    }

    /// The first of the steps that want a second look and that happened; one look covers all of them.
    fn wants_look(
        &self,
        piles: &[Pile],
        decided: &[Point],
        waivers: &[WaiverSeen],
    ) -> Option<Step> {
        let lost = |pile: &Pile| pile.precious > 0 && pile.id != "single-copy";
        let is_decided = |id: &str| decided.iter().any(|point| point.id == id);
        let happened = |step: &Step| match step {
            Step::Release => true,
            Step::VolumeWaiver => {
                waivers
                    .iter()
                    .any(|waiver| waiver.scope == WaiverScope::Volume)
                    || decided.iter().any(|point| point.id.starts_with("volume-"))
            }
            Step::ReferOverride => waivers
                .iter()
                .any(|waiver| waiver.by_owner && waiver.about == "refer-undecided"),
            Step::IrreplaceableWaiver => {
                !self.precious.is_empty()
                    || piles.iter().any(|pile| lost(pile) && is_decided(pile.id))
            }
            Step::OwnerWaiver => waivers.iter().any(|waiver| waiver.by_owner),
        };
        let steps = &self.rules.second_look;
        steps.iter().find(|step| happened(step)).copied()
    }

    /// A waiver settles a point if it names it, froze exactly this set, and was decided by who may. That the owner wants
    /// nothing saved settles what only a copy could need; the items it speaks of carry its number, and any other item
    /// that is not saved holds as ever.
    fn settled(&self, point: &Point, waivers: &[WaiverSeen]) -> bool {
        let no_rescue = |waiver: &WaiverSeen| {
            waiver.scope == WaiverScope::NoRescue
                && waiver.by_owner
                && matches!(
                    point.id,
                    "no-destination"
                        | "destination-not-independent"
                        | "verification-missing"
                        | "verification-old"
                        | "must-haves-not-asked"
                        | "doubtful-content"
                )
        };
        waivers.iter().any(|waiver| {
            let allowed = match point.who {
                Who::Owner => waiver.by_owner,
                Who::Technician => true,
                Who::Nobody => false,
            };
            no_rescue(waiver)
                || (allowed
                    && waiver.scope == WaiverScope::Point
                    && waiver.about == point.id
                    && waiver.set == point.set)
        })
    }

    fn check_waivers(&self, now: &Now, points: &mut Vec<Point>) {
        for waiver in self.lapsed(&now.waivers) {
            if self.is_too_much(waiver, &now.waivers) {
                points.push(super::gate_content::whole_class(&waiver.about));
                continue;
            }
            points.push(Point::plain(
                "waiver-lapsed",
                Who::Nobody,
                format!(
                    "the decision about {} no longer covers the same things",
                    waiver.about
                ),
                "what was given up has changed since it was decided",
                format!("waiver {} froze another set", waiver.number),
                super::gate_points::decide_anew(waiver.scope, &waiver.about),
            ));
        }
    }

    fn item_point(&self, pile: &Pile) -> Point {
        let (who, says, remedy) = match pile.id {
            // Copying once more would change nothing.
            "not-copied" if pile.elsewhere == pile.count => {
                super::gate_points::copied_elsewhere(pile.count)
            }
            id => super::gate_points::of_items(&self.rules, id, pile.count),
        };
        let evidence = match pile.gone {
            0 => "the ledger's rows".to_owned(),
            gone => format!(
                "the ledger's rows; {} no longer at the source",
                things(gone, "item is", "items are")
            ),
        };
        let lost = super::gate_content::lost_in_words(pile.bytes, pile.count, pile.precious);
        Point {
            id: pile.id,
            says,
            lost,
            evidence,
            remedy,
            who,
            count: pile.count,
            bytes: pile.bytes,
            set: pile.digest(),
        }
    }
}
