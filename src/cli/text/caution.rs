//! Cautions, each shown once, where it matters.

use crate::cli::page::Page;
use crate::step::outcome::Symptom;

/// Before anybody opens the machine.
const OPENING: &str = "Before opening the machine: power it off, unplug it, disconnect the battery, and \
ground yourself. Never work on a swollen battery.";
/// Before anybody wipes.
const WIPING: &str = "Wiping for disposal follows the owner's rules (clear, purge or destroy, in the terms of NIST SP 800-88). \
Local law and the owner's consent rule what may be copied, looked at and kept.";

/// What a bad symptom means for power and for opening the machine.
pub fn symptom(page: &mut Page, symptom: Option<Symptom>) {
    let Some(symptom) = symptom.filter(|symptom| symptom.is_bad()) else {
        return;
    };
    let says = match symptom {
        Symptom::Clicking => {
            "A clicking drive is not to be powered again: each start may be its last."
        }
        Symptom::Dropped => {
            "A dropped drive is not to be powered again: each start may be its last."
        }
        Symptom::Liquid => {
            "A drive that met liquid is not to be powered until a laboratory has dried and cleaned it."
        }
        Symptom::Vanishes => {
            "A drive that vanishes: re-seat it once, with another cable. The second time, a laboratory comes first."
        }
        Symptom::None => return,
    };
    page.gap();
    page.warn(says);
    page.say("Nothing is read beyond identity and health, until the owner decides.");
    if !page.quiet() {
        page.say(OPENING);
    }
}

/// When the forecast says that a laboratory comes first.
pub fn refer(page: &mut Page) {
    if page.quiet() {
        return;
    }
    page.gap();
    page.say("Leave the drive without power until the owner has decided. A laboratory needs the drive as it is, with its model and serial, what happened to it and when, and the list of must-haves.");
}

/// At the release.
pub fn wiping(page: &mut Page) {
    if page.quiet() {
        return;
    }
    page.gap();
    page.say("The kernel's write protection does not stop root, nor erase commands sent past it. Compare the serial on the drive itself with the slip before anything is wiped.");
    page.say(WIPING);
    page.say(OPENING);
}
