//! Open points: grouped by what is lost, at most ten lines, each with its next command.

use super::typed;
use crate::cli::page::Page;
use crate::cli::phrase::{capital, counted};
use crate::step::outcome::{OpenPoint, Who};
use crate::value::measure::count_in_words;
use std::path::Path;

/// More entries than this are not read.
pub const MOST: usize = 10;

/// One line: points that lose the same thing and are settled the same way.
struct Group<'a> {
    first: &'a OpenPoint,
    points: usize,
}

/// Points of the same kind with the same loss and the same next command become one line.
fn groups(points: &[OpenPoint]) -> Vec<Group<'_>> {
    let mut groups: Vec<Group<'_>> = Vec::new();
    for point in points {
        let same = groups.iter_mut().find(|group| {
            group.first.id == point.id
                && group.first.lost == point.lost
                && group.first.remedy == point.remedy
        });
        match same {
            Some(group) => {
                group.points += 1;
            }
            None => groups.push(Group {
                first: point,
                points: 1,
            }),
        }
    }
    groups
}

/// The open points, under their heading. Nothing when there are none, or in the
/// middle of `run`, whose last step lists them.
pub fn open_points(page: &mut Page, job: Option<&Path>, points: &[OpenPoint]) {
    if points.is_empty() || page.look().guided {
        return;
    }
    page.head(&counted(points.len() as u64, "open point", "open points"));
    let all = groups(points);
    for (lost, group) in by_loss(&all).into_iter().take(MOST) {
        let mut text = String::new();
        if let Some(lost) = lost {
            text.push_str(&capital(lost));
            text.push_str(": ");
        }
        let says = group.first.says.trim_end_matches('.');
        text.push_str(&if lost.is_some() {
            says.to_owned()
        } else {
            capital(says)
        });
        if group.points > 1 {
            text.push_str(&format!(
                ", and {} more like it",
                count_in_words(group.points as u64 - 1)
            ));
        }
        text.push_str(match group.first.who {
            Who::Owner => ". The owner decides.",
            Who::Technician => ". You decide.",
            Who::Nobody => ". Nobody may give this up.",
        });
        page.item(&text);
        if !page.quiet() {
            page.remedy(&group.first.remedy);
        }
    }
    if let Some(more) = all.len().checked_sub(MOST).filter(|more| *more > 0) {
        page.say(&format!("And {} more lines; all of them with", more));
        page.command(&format!("holdpoint show {} --json", typed(job)));
    }
}

/// Lines ordered so that the same loss stands together, in the order of its first point; the
/// loss is named on its first line only.
fn by_loss<'a>(groups: &'a [Group<'a>]) -> Vec<(Option<&'a str>, &'a Group<'a>)> {
    let mut losses: Vec<&str> = Vec::new();
    for group in groups {
        if !losses.contains(&group.first.lost.as_str()) {
            losses.push(&group.first.lost);
        }
    }
    let mut lines = Vec::new();
    for loss in losses {
        let same = groups.iter().filter(|group| group.first.lost == loss);
        for (place, group) in same.enumerate() {
            lines.push(((place == 0 && !loss.is_empty()).then_some(loss), group));
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::look::Look;

    fn point(id: &str, lost: &str, remedy: &str) -> OpenPoint {
        OpenPoint {
            id: id.into(),
            says: format!("{id} says"),
            lost: lost.into(),
            evidence: "e".into(),
            remedy: remedy.into(),
            who: Who::Owner,
            count: 2,
        }
    }

    #[test]
    fn the_same_loss_stands_together_and_ten_lines_are_enough() {
        let mut points = vec![
            point("a", "mail of anna", "holdpoint copy /job"),
            point("b", "photos", "holdpoint copy /job"),
            point("c", "mail of anna", "holdpoint verify /job"),
            point("a", "mail of anna", "holdpoint copy /job"),
        ];
        for n in 0..20 {
            points.push(point("d", &format!("loss {n}"), "ask"));
        }
        let mut page = Page::new(&Look::of(false, None, None, None, false));
        open_points(&mut page, None, &points);
        let text = page.finish();
        assert_eq!(text.matches("Mail of anna").count(), 1, "{text}");
        assert_eq!(
            text.lines().filter(|line| line.starts_with("- ")).count(),
            MOST
        );
        assert!(text.contains("a says, and 1 more like it"), "{text}");
        let a = text.find("a says").unwrap();
        let b = text.find("b says").unwrap();
        // A line without its loss before it begins like a sentence.
        let c = text.find("- C says").unwrap();
        assert!(a < c && c < b, "{text}");
        assert!(text.contains("And 13 more lines"), "{text}");
    }
}
