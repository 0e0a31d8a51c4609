//! What was left out, and what a decision is about, in the owner's words instead of the names that scripts use.
//!
//! Invariant: what has no words here (a rule of the shop's own policy) is shown as recorded.

use super::words::Language;

type Words = (&'static str, &'static str, &'static str);

/// Rules of the shipped policies that leave something out.
const RULES: &[Words] = &[
    (
        "download-mark",
        "Notes that a file was downloaded",
        "Vermerke, dass eine Datei heruntergeladen wurde",
    ),
    (
        "unpacked-form",
        "The packed form of files that are saved unpacked",
        "Die gepackte Form von Dateien, die entpackt gesichert werden",
    ),
    (
        "compatibility-links",
        "Old links of the system, which hold nothing",
        "Alte Verweise des Systems, die nichts enthalten",
    ),
    (
        "compatibility-links-system",
        "Old links of the system, which hold nothing",
        "Alte Verweise des Systems, die nichts enthalten",
    ),
    (
        "program-aliases",
        "Empty files that start programs",
        "Leere Dateien, die Programme starten",
    ),
    (
        "recovery-image",
        "The recovery system, which comes with the installation",
        "Das Wiederherstellungssystem; es kommt mit der Installation",
    ),
    (
        "recovery-volume",
        "The recovery system, which comes with the installation",
        "Das Wiederherstellungssystem; es kommt mit der Installation",
    ),
    ("temporary-files", "Temporary files", "Temporäre Dateien"),
    (
        "system-temporary",
        "Temporary files of the system",
        "Temporäre Dateien des Systems",
    ),
    (
        "thumbnails",
        "Small preview pictures, which the system draws again",
        "Kleine Vorschaubilder, die das System neu zeichnet",
    ),
    (
        "caches",
        "What programs fetch or compute again by themselves",
        "Was Programme von selbst neu laden oder berechnen",
    ),
    (
        "caches-mac",
        "What programs fetch or compute again by themselves",
        "Was Programme von selbst neu laden oder berechnen",
    ),
    (
        "caches-linux",
        "What programs fetch or compute again by themselves",
        "Was Programme von selbst neu laden oder berechnen",
    ),
    (
        "profile-template",
        "The pattern for new people, which comes with the installation",
        "Die Vorlage für neue Benutzer; sie kommt mit der Installation",
    ),
    (
        "search-index",
        "The search index, which the system builds again",
        "Der Suchindex, den das System neu anlegt",
    ),
    (
        "installer-caches",
        "Installers, updates and logs, which are fetched or written again",
        "Installationsdateien, Aktualisierungen und Protokolle, die neu geladen oder geschrieben werden",
    ),
    (
        "windows-system",
        "The system itself, which comes with the installation",
        "Das System selbst; es kommt mit der Installation",
    ),
    (
        "mac-system",
        "The system itself, which comes with the installation",
        "Das System selbst; es kommt mit der Installation",
    ),
    (
        "linux-system",
        "The system itself, which comes with the installation",
        "Das System selbst; es kommt mit der Installation",
    ),
    (
        "store-programs",
        "Programs from the store, which are installed again",
        "Programme aus dem Store, die neu installiert werden",
    ),
    (
        "installed-programs",
        "Installed programs, which are installed again",
        "Installierte Programme, die neu installiert werden",
    ),
    (
        "boot-files",
        "What starts the system; it comes with the installation",
        "Was das System startet; es kommt mit der Installation",
    ),
    (
        "paging-files",
        "Memory that was written out while the system ran; it holds no files",
        "Ausgelagerter Arbeitsspeicher; er enthält keine Dateien",
    ),
    (
        "hibernation",
        "An image of the memory at the last shut-down; after a crash it can hold unsaved work",
        "Ein Abbild des Arbeitsspeichers vom letzten Ausschalten; nach einem Absturz kann es Ungesichertes enthalten",
    ),
    (
        "file-system-own",
        "The file system's own tables",
        "Die eigenen Verzeichnisse des Dateisystems",
    ),
];

/// What a decision is about: a scope, a class, or an open point that somebody may decide about.
const DECISIONS: &[Words] = &[
    (
        "items",
        "Items named one by one",
        "Einzeln benannte Einträge",
    ),
    (
        "no-rescue",
        "Everything: nothing is wanted from this drive",
        "Alles: von diesem Laufwerk wird nichts gewünscht",
    ),
    (
        "hard-to-replace",
        "Everything hard to replace that is not saved",
        "Alles schwer zu Ersetzende, das nicht gesichert ist",
    ),
    (
        "replaceable",
        "Everything replaceable that is not saved",
        "Alles Ersetzbare, das nicht gesichert ist",
    ),
    (
        "rebuildable",
        "Everything that the system makes again by itself",
        "Alles, was das System selbst neu anlegt",
    ),
    (
        "doubtful-content",
        "Copies that are blank or not what their names claim",
        "Kopien, die leer sind oder nicht das, was ihr Name sagt",
    ),
    (
        "health-unread",
        "That the drive's health could not be read",
        "Dass sich der Zustand des Laufwerks nicht auslesen ließ",
    ),
    (
        "damaged-items",
        "The missing parts of items with gaps",
        "Die fehlenden Teile von Einträgen mit Lücken",
    ),
    (
        "unreadable-items",
        "Items of which nothing could be read",
        "Einträge, von denen nichts lesbar war",
    ),
    (
        "folders-unreadable",
        "What lies in folders that could not be opened",
        "Was in Ordnern liegt, die sich nicht öffnen ließen",
    ),
    (
        "mounts-not-entered",
        "What lies in other file systems inside the folder",
        "Was in anderen Dateisystemen innerhalb des Ordners liegt",
    ),
    (
        "unknown-tags",
        "Items that are stored in a way our program cannot read",
        "Einträge, die so abgelegt sind, dass unser Programm sie nicht lesen kann",
    ),
    (
        "placeholders",
        "Items that lie only in a cloud, not on the drive",
        "Einträge, die nur in einer Cloud liegen, nicht auf dem Laufwerk",
    ),
    (
        "efs-keys",
        "Items that are locked with a key of the old system",
        "Einträge, die mit einem Schlüssel des alten Systems verschlossen sind",
    ),
    (
        "key-bound",
        "Saved passwords that open only with keys of the old system",
        "Gespeicherte Passwörter, die sich nur mit Schlüsseln des alten Systems öffnen lassen",
    ),
    (
        "redirected-elsewhere",
        "What lies where a personal folder leads, outside of this job",
        "Was dort liegt, wohin ein persönlicher Ordner führt, außerhalb dieses Auftrags",
    ),
    (
        "volume-locked",
        "An encrypted part of the drive that is locked",
        "Ein verschlüsselter, gesperrter Bereich des Laufwerks",
    ),
    (
        "volume-unrecognised",
        "A part of the drive of unknown kind",
        "Ein Bereich des Laufwerks von unbekannter Art",
    ),
    (
        "volume-partly-surveyed",
        "What was not found in a part of the drive",
        "Was in einem Bereich des Laufwerks nicht gefunden wurde",
    ),
    (
        "gap-unread",
        "What may lie in a gap between the parts of the drive, not read",
        "Was in einer nicht gelesenen Lücke zwischen den Bereichen liegen kann",
    ),
    (
        "gap-with-content",
        "Content between the parts of the drive that belongs to none",
        "Inhalt zwischen den Bereichen des Laufwerks, der zu keinem gehört",
    ),
    (
        "lost-volume",
        "What may lie in a former part of the drive",
        "Was in einem früheren Bereich des Laufwerks liegen kann",
    ),
    (
        "tables-disagree",
        "What stands in only one of the drive's tables",
        "Was nur in einem der Verzeichnisse des Laufwerks steht",
    ),
    (
        "accounts-differ",
        "Content that belongs to nothing that was found",
        "Inhalt, der zu nichts Gefundenem gehört",
    ),
    (
        "hidden-area",
        "What lies in a hidden part of the drive",
        "Was in einem verborgenen Teil des Laufwerks liegt",
    ),
    (
        "other-drive",
        "That another drive of the machine is not part of this",
        "Dass ein weiteres Laufwerk des Geräts nicht dazugehört",
    ),
    (
        "must-haves-not-asked",
        "That nothing was named which would be missed most",
        "Dass nichts benannt wurde, was besonders vermisst würde",
    ),
    (
        "must-have-open",
        "Something that was asked for and not found",
        "Etwas, wonach gefragt war und das nicht gefunden wurde",
    ),
    (
        "memory-doubt",
        "That the copying computer's memory was in doubt",
        "Dass am Arbeitsspeicher des kopierenden Computers Zweifel bestanden",
    ),
    (
        "verification-doubtful",
        "That copies may have been read back from memory instead of the medium",
        "Dass Kopien womöglich aus dem Arbeitsspeicher zurückgelesen wurden",
    ),
    (
        "single-copy",
        "That there is only one copy of these items",
        "Dass es von diesen Einträgen nur eine Kopie gibt",
    ),
    (
        "refer-undecided",
        "That it was copied although a laboratory was advised",
        "Dass kopiert wurde, obwohl zu einem Fachlabor geraten war",
    ),
];

/// What a rule leaves out.
pub fn rule(id: &str, language: Language) -> Option<&'static str> {
    among(RULES, id, language)
}

/// What a decision is about.
pub fn decision(about: &str, language: Language) -> Option<&'static str> {
    among(DECISIONS, about, language)
}

/// Open points by which something is lost when somebody decides about them; by the others a risk is taken.
const LOSING: &[&str] = &[
    "damaged-items",
    "unreadable-items",
    "folders-unreadable",
    "mounts-not-entered",
    "unknown-tags",
    "placeholders",
    "efs-keys",
    "key-bound",
    "redirected-elsewhere",
    "volume-locked",
    "volume-unrecognised",
    "volume-partly-surveyed",
    "gap-unread",
    "gap-with-content",
    "lost-volume",
    "tables-disagree",
    "accounts-differ",
    "hidden-area",
];

/// Whether something is lost by a decision about this open point.
pub fn loses(point: &str) -> bool {
    LOSING.contains(&point)
}

fn among(all: &'static [Words], id: &str, language: Language) -> Option<&'static str> {
    let (_, english, german) = all.iter().find(|(known, ..)| *known == id)?;
    Some(match language {
        Language::English => english,
        Language::German => german,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::value::words::Who;

    /// The shipped policies: whatever they leave out or let somebody decide about can stand on a paper.
    #[test]
    fn what_the_shipped_policies_name_has_words() {
        let policy = crate::policy::Policy::builtin("home").unwrap();
        for left in policy.rules.iter().filter(|rule| rule.leave_out) {
            assert!(rule(&left.id, Language::German).is_some(), "{}", left.id);
        }
        for id in crate::judge::point::ORDER {
            let decided = policy.who_waives(id) != Who::Nobody;
            assert!(!decided || decision(id, Language::German).is_some(), "{id}");
        }
    }
}
