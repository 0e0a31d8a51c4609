//! What a paper says in German of things that are recorded in English: open points, signals of a drive, chances.
//!
//! Invariant: a thing without German words is shown as recorded; nothing is left out for want of a translation.

use super::account::SignalLine;

/// An open point: what it says (`{n}` is its count, `|` as in the sentences), and what is lost if the drive is wiped now.
const POINTS: &[(&str, &str, &str)] = &[
    (
        "ledger-broken",
        "Die Aufzeichnung dieses Auftrags ist nicht mehr so, wie sie geschrieben wurde",
        "sie beweist nichts mehr",
    ),
    (
        "policy-edited",
        "Die Regelung wurde nach der Annahme geändert",
        "was vereinbart war, gilt nicht mehr sicher",
    ),
    (
        "clock-wrong",
        "Die Uhr des Computers kann nicht stimmen",
        "Zeiten und Fristen sind nicht zu beurteilen",
    ),
    (
        "data-locked",
        "Ein Laufwerkspasswort sperrt die Daten",
        "alles auf dem Laufwerk",
    ),
    (
        "identity-unknown",
        "Welches Laufwerk es ist, steht nicht fest",
        "es könnte das falsche gelöscht werden",
    ),
    (
        "source-gone",
        "Was angehalten ist, lässt sich gerade nicht ansehen",
        "ob es sich geändert hat, ist nicht bekannt",
    ),
    (
        "source-changed",
        "Seit der Erfassung ist {n} Eintrag geändert, neu oder verschwunden|Seit der Erfassung sind {n} Einträge geändert, neu oder verschwunden",
        "Neueres ist nicht in den Kopien",
    ),
    (
        "survey-unfinished",
        "Noch ist nicht bekannt, was da ist",
        "alles",
    ),
    (
        "volume-locked",
        "Ein Bereich des Laufwerks ist verschlüsselt und gesperrt",
        "alles, was darin liegt",
    ),
    (
        "volume-unrecognised",
        "Ein Bereich des Laufwerks ist von unbekannter Art",
        "alles, was darin liegt",
    ),
    (
        "volume-partly-surveyed",
        "Ein Bereich des Laufwerks ließ sich nur zum Teil erfassen",
        "was darin nicht gefunden wurde",
    ),
    (
        "accounts-differ",
        "Die Rechnung über das Laufwerk geht nicht auf",
        "Inhalt, der zu nichts Bekanntem gehört",
    ),
    (
        "lost-volume",
        "Es gibt Spuren eines früheren Bereichs",
        "was darin liegt",
    ),
    (
        "gap-with-content",
        "Zwischen den Bereichen liegt Inhalt, der zu keinem gehört",
        "dieser Inhalt",
    ),
    (
        "gap-unread",
        "Eine Lücke zwischen den Bereichen wurde nicht gelesen",
        "was darin liegt",
    ),
    (
        "tables-disagree",
        "Die Verzeichnisse des Laufwerks widersprechen einander",
        "was nur in einem von ihnen steht",
    ),
    (
        "hidden-area",
        "Ein Teil des Laufwerks ist verborgen",
        "was darin liegt",
    ),
    (
        "other-drive",
        "Das Gerät enthält ein weiteres Laufwerk, das nicht zu diesem Auftrag gehört",
        "alles darauf, falls es mit gelöscht wird",
    ),
    (
        "mounted-writable",
        "Auf das Laufwerk kann noch geschrieben werden",
        "was noch geschrieben wird, ist nicht in den Kopien",
    ),
    (
        "hold-not-set",
        "Das Laufwerk ist nicht gegen Schreiben gesperrt",
        "was noch geschrieben wird, ist nicht in den Kopien",
    ),
    (
        "refer-undecided",
        "Zuerst sollte ein Fachlabor gefragt werden",
        "jedes weitere Lesen kann das letzte sein",
    ),
    (
        "health-unread",
        "Der Zustand des Laufwerks ließ sich nicht auslesen",
        "ob es durchhält und richtig liest, ist nicht bekannt",
    ),
    (
        "health-old",
        "Der Zustand des Laufwerks wurde vor zu langer Zeit ausgelesen",
        "ob es durchhält und richtig liest, ist nicht bekannt",
    ),
    (
        "drive-trouble",
        "Das Laufwerk machte beim Lesen Schwierigkeiten",
        "was es nicht mehr hergibt",
    ),
    (
        "no-destination",
        "Keine Kopie liegt an einem Ort, der zählt",
        "alles",
    ),
    (
        "destination-missing",
        "Ein Datenträger mit Kopien ist nicht da",
        "ob es diese Kopien noch gibt, ist nicht bekannt",
    ),
    (
        "destination-full",
        "Ein Datenträger für Kopien ist voll",
        "was nicht darauf passt, ist nicht gesichert",
    ),
    (
        "destination-not-independent",
        "Eine Kopie liegt dort, wo sie nicht zählt",
        "eine Kopie auf demselben Laufwerk geht mit ihm verloren",
    ),
    (
        "destination-failing",
        "Ein Datenträger mit Kopien ist selbst in schlechtem Zustand",
        "die Kopien darauf",
    ),
    (
        "copy-differs",
        "{n} Kopie ist anders als das, was gelesen wurde|{n} Kopien sind anders als das, was gelesen wurde",
        "diese Einträge",
    ),
    (
        "extra-in-bag",
        "Bei den Kopien liegt etwas, das niemand verzeichnet hat",
        "was die Kopien beweisen sollen",
    ),
    (
        "not-copied",
        "{n} Eintrag ist noch nicht dort kopiert, wo es zählt|{n} Einträge sind noch nicht dort kopiert, wo es zählt",
        "diese Einträge",
    ),
    (
        "changed-items",
        "{n} Eintrag hat sich während der Arbeit geändert|{n} Einträge haben sich während der Arbeit geändert",
        "ihr neuer Inhalt",
    ),
    (
        "unreadable-items",
        "{n} Eintrag war nicht lesbar|{n} Einträge waren nicht lesbar",
        "diese Einträge",
    ),
    (
        "damaged-items",
        "{n} Eintrag hat Teile, die nicht lesbar waren oder etwas anderes enthalten können|{n} Einträge haben Teile, die nicht lesbar waren oder etwas anderes enthalten können",
        "diese Teile",
    ),
    (
        "folders-unreadable",
        "{n} Ordner ließ sich nicht öffnen|{n} Ordner ließen sich nicht öffnen",
        "alles, was darin liegt",
    ),
    (
        "mounts-not-entered",
        "{n} Stelle gehört zu einem anderen Dateisystem und wurde nicht betreten|{n} Stellen gehören zu einem anderen Dateisystem und wurden nicht betreten",
        "alles, was darin liegt",
    ),
    (
        "unknown-tags",
        "{n} Eintrag ist so abgelegt, dass unser Programm ihn nicht lesen kann|{n} Einträge sind so abgelegt, dass unser Programm sie nicht lesen kann",
        "diese Einträge",
    ),
    (
        "not-verified",
        "{n} Eintrag ist kopiert, aber noch nicht zurückgelesen|{n} Einträge sind kopiert, aber noch nicht zurückgelesen",
        "ob diese Kopien stimmen, ist nicht bewiesen",
    ),
    (
        "verification-missing",
        "Nicht alle Kopien sind so, wie sie jetzt liegen, zurückgelesen",
        "ob diese Kopien stimmen, ist nicht bewiesen",
    ),
    (
        "verification-old",
        "Die Kopien wurden vor zu langer Zeit zurückgelesen",
        "sie können sich seither geändert haben",
    ),
    (
        "verification-doubtful",
        "Die Kopien wurden womöglich aus dem Arbeitsspeicher statt vom Datenträger zurückgelesen",
        "was auf dem Datenträger liegt, ist nicht bewiesen",
    ),
    (
        "single-copy",
        "Von {n} Eintrag gibt es nur eine geprüfte Kopie, vorgesehen sind zwei|Von {n} Einträgen gibt es nur eine geprüfte Kopie, vorgesehen sind zwei",
        "wenn diese eine Kopie verloren geht: diese Einträge",
    ),
    (
        "placeholders",
        "{n} Eintrag liegt nur in einer Cloud, nicht auf dem Laufwerk|{n} Einträge liegen nur in einer Cloud, nicht auf dem Laufwerk",
        "diese Einträge, falls es sie dort nicht mehr gibt",
    ),
    (
        "efs-keys",
        "{n} Eintrag ist mit einem Schlüssel des alten Systems verschlossen|{n} Einträge sind mit einem Schlüssel des alten Systems verschlossen",
        "diese Einträge, wenn der Schlüssel fehlt",
    ),
    (
        "key-bound",
        "Gespeicherte Passwörter lassen sich nur mit den Schlüsseln des alten Systems öffnen",
        "diese Passwörter",
    ),
    (
        "redirected-elsewhere",
        "Persönliche Ordner liegen vielleicht an einem Ort außerhalb dieses Auftrags",
        "was dort liegt; unter den Kopien ist es nicht",
    ),
    (
        "doubtful-content",
        "{n} Kopie ist leer oder nicht das, was ihr Name sagt|{n} Kopien sind leer oder nicht das, was ihr Name sagt",
        "die Möglichkeit, bessere zu finden; die Kopien bleiben erhalten, sind aber vielleicht unbrauchbar",
    ),
    (
        "memory-failed",
        "Die Kopien entstanden auf einem Computer mit fehlerhaftem Arbeitsspeicher",
        "keine dieser Kopien zählt",
    ),
    (
        "memory-doubt",
        "Am Arbeitsspeicher des kopierenden Computers bestehen Zweifel",
        "ein Fehler darin kann Kopie und Prüfsumme gleich verfälschen",
    ),
    (
        "reads-disagree",
        "{n} Eintrag ergab beim zweiten Lesen anderen Inhalt|{n} Einträge ergaben beim zweiten Lesen anderen Inhalt",
        "welcher Inhalt stimmt, ist nicht bekannt",
    ),
    (
        "must-haves-not-asked",
        "Sie wurden noch nicht gefragt, was Sie am meisten vermissen würden",
        "was Ihnen wichtig ist, ist nicht bekannt",
    ),
    (
        "must-have-open",
        "Etwas, wonach Sie gefragt haben, ist noch nicht gefunden oder nicht gesichert",
        "",
    ),
    (
        "questions-open",
        "Fragen der Annahme sind nicht beantwortet",
        "was nicht gefragt wurde, lässt sich nicht abwägen",
    ),
    (
        "waiver-lapsed",
        "Eine Entscheidung gilt nicht mehr, weil sich geändert hat, worüber entschieden wurde",
        "was seither dazugekommen ist",
    ),
    (
        "second-look",
        "Vor der Freigabe muss noch jemand ein zweites Mal hinsehen",
        "sonst ist nichts offen",
    ),
    (
        "release-lapsed",
        "Die Freigabe ist nicht mehr in Kraft",
        "ohne gültige Freigabe darf nichts gelöscht werden",
    ),
];

/// The words for an open point; an empty second text stands for what was recorded.
pub fn point(id: &str) -> Option<(&'static str, &'static str)> {
    let (_, says, lost) = POINTS.iter().find(|(known, ..)| *known == id)?;
    Some((says, lost))
}

/// Signals, with `{n}` for the number.
const SIGNALS: &[(&str, &str)] = &[
    (
        "drive-predicts-failure",
        "das Laufwerk meldet selbst, dass ein Grenzwert überschritten wurde",
    ),
    (
        "sectors-awaiting",
        "{n} Sektor wartet auf Ersatz|{n} Sektoren warten auf Ersatz",
    ),
    (
        "sectors-remapped",
        "{n} Sektor ist schon ersetzt|{n} Sektoren sind schon ersetzt",
    ),
    (
        "reads-given-up",
        "{n} Lesevorgang endete ohne die Daten|{n} Lesevorgänge endeten ohne die Daten",
    ),
    (
        "scan-unreadable",
        "das Laufwerk fand selbst {n} unlesbaren Sektor|das Laufwerk fand selbst {n} unlesbare Sektoren",
    ),
    (
        "reads-laboured",
        "{n} Lesevorgang brauchte mehrere Anläufe|{n} Lesevorgänge brauchten mehrere Anläufe",
    ),
    (
        "data-lost-inside",
        "{n}-mal konnte das Laufwerk Daten nicht unversehrt liefern",
    ),
    ("starts-failed", "der Motor lief {n}-mal nicht an"),
    (
        "emergency-unloads",
        "die Köpfe wurden {n}-mal im Notfall zurückgezogen",
    ),
    (
        "commands-overdue",
        "{n} Befehl dauerte zu lange|{n} Befehle dauerten zu lange",
    ),
    (
        "reset-midway",
        "{n} Neustart mitten in einem Befehl|{n} Neustarts mitten in einem Befehl",
    ),
    (
        "link-garbled",
        "{n} Übertragung kam verfälscht an: Kabel oder Anschluss prüfen|{n} Übertragungen kamen verfälscht an: Kabel oder Anschluss prüfen",
    ),
    ("spare-left", "{n} % der Reserve sind übrig"),
    ("spare-short", "die Reserve liegt unter ihrem Grenzwert"),
    (
        "endurance-spent",
        "{n} % der vorgesehenen Schreibmenge sind verbraucht",
    ),
    (
        "reliability-reduced",
        "das Laufwerk meldet, dass seine Zuverlässigkeit vermindert ist",
    ),
    ("writes-refused", "das Laufwerk nimmt nichts Neues mehr an"),
    (
        "backup-power-out",
        "sein Schutz gegen Stromausfall ist ausgefallen",
    ),
    ("heat-now", "es ist {n} °C warm"),
    (
        "heat-time",
        "{n} Minute über seiner Temperaturgrenze|{n} Minuten über seiner Temperaturgrenze",
    ),
    ("heat-slowed", "es bremste sich {n}-mal wegen Wärme"),
    (
        "time-powered",
        "{n} Stunde in Betrieb|{n} Stunden in Betrieb",
    ),
    ("power-cut", "{n}-mal fiel der Strom unerwartet aus"),
    ("data-locked", "ein Laufwerkspasswort sperrt die Daten"),
    (
        "worsening",
        "ein Fehlerzähler stieg um {n} seit der vorigen Messung",
    ),
    (
        "reads-slowing",
        "es liest nur noch mit {n} % seines früheren Tempos",
    ),
];

/// The template for a signal; `None` where the recorded words stand, because the number is missing or the kind has none.
pub fn signal(line: &SignalLine) -> Option<&'static str> {
    let (_, template) = SIGNALS.iter().find(|(known, _)| *known == line.id)?;
    (!template.contains("{n}") || line.value.is_some()).then_some(*template)
}

/// A chance as [`crate::judge::working::range_in_words`] says it.
pub fn chance(english: &str) -> String {
    let words = english.replace("below", "unter").replace("above", "über");
    words.replace(" to ", " bis ").replace('.', ",")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::signal::SignalId;
    use crate::judge::working::range_in_words;
    use crate::value::Probability;

    /// The vocabulary itself: every id that scripts may see.
    #[test]
    fn every_open_point_has_german_words() {
        for id in crate::judge::point::ORDER {
            assert!(point(id).is_some(), "{id}");
        }
        assert_eq!(POINTS.len(), crate::judge::point::ORDER.len());
    }

    #[test]
    fn signals_that_are_numbers_or_plain_have_german_words() {
        // One says why a reading failed, another where a test stopped: these two stand as recorded.
        let names: Vec<String> = SIGNALS.iter().map(|(id, _)| (*id).to_owned()).collect();
        let known = serde_json::to_string(&schemars::schema_for!(SignalId)).unwrap();
        for recorded in ["health-unread", "self-test-found"] {
            assert!(known.contains(recorded), "{known}");
        }
        for id in &names {
            let parsed: SignalId = serde_json::from_value(id.as_str().into()).unwrap();
            let line = |value| SignalLine {
                id: serde_json::to_value(parsed)
                    .unwrap()
                    .as_str()
                    .unwrap()
                    .to_owned(),
                says: String::new(),
                value,
                weighs: true,
            };
            assert!(signal(&line(Some(2))).is_some(), "{id}");
        }
        assert_eq!(names.len() + 2, SignalId::ReadsSlowing as usize + 1);
    }

    #[test]
    fn a_chance_keeps_its_numbers() {
        let range = range_in_words(Probability::new(0.0001), Probability::new(0.153));
        assert_eq!(chance(&range), "unter 0,1 % bis 15 %");
    }
}
