//! What of the drives is not saved and is no item: volumes that nobody could look into, lost ones, gaps with content.

use super::kept::{PointKept, points, volumes};
use crate::job::Job;
use crate::ledger::{Fact, FactBody};
use crate::paper::account::LostPlace;
use crate::step::outcome::Problem;
use crate::value::words::{WaiverScope, Who};

/// Points that speak of a part of a drive, and whether its bytes are those that are lost.
const OF_PLACES: [(&str, bool); 8] = [
    ("volume-locked", true),
    ("volume-unrecognised", true),
    ("lost-volume", true),
    ("gap-with-content", true),
    ("gap-unread", true),
    // Of these something is missing, and nobody knows how much.
    ("volume-partly-surveyed", false),
    ("accounts-differ", false),
    ("tables-disagree", false),
];

/// All of it, decided about or not.
///
/// # Errors
/// When the ledger cannot be read.
pub fn lost_places(job: &Job<'_>, facts: &[Fact]) -> Result<Vec<LostPlace>, Problem> {
    let volumes = volumes(job)?;
    let place = |point: PointKept| {
        let (_, is_known) = OF_PLACES.iter().find(|(id, _)| *id == point.id)?;
        let volume = volumes.iter().find(|volume| volume.about() == point.volume);
        let says = match volume {
            Some(volume) => format!(
                "{}; it begins at byte {} of drive {}",
                point.says,
                volume.first_byte,
                volume.drive + 1
            ),
            None => point.says.clone(),
        };
        // Every point that names no volume begins its evidence with its drive.
        let drive = point.evidence.split([',', ':']).next().unwrap_or_default();
        Some(LostPlace {
            place: volume.map_or_else(|| drive.to_owned(), |volume| volume.word()),
            what: point.id.clone(),
            says,
            bytes: if *is_known { point.bytes } else { 0 },
            at_least: !is_known,
            given_up: given_up(&point, facts),
        })
    };
    Ok(points(job)?.into_iter().filter_map(place).collect())
}

/// Why it was given up, if it was as it is now.
fn given_up(point: &PointKept, facts: &[Fact]) -> Option<String> {
    let point = point.point(|_| Who::Owner)?;
    facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Waived { waiver, .. }
            if waiver.is_about(WaiverScope::Point, point.id) && waiver.set_hash == point.set =>
        {
            Some(waiver.reason.clone())
        }
        _ => None,
    })
}
