//! Every sentence of the papers, English and German side by side.
//!
//! `{name}` is a hole; `|` parts the form for one from the form for any other number.
//!
//! Invariant: both languages of a sentence have the same holes (tested), so that no number is lost in translation.

use super::words::Language;

macro_rules! sentences {
    ($($name:ident { $english:literal, $german:literal })*) => {
        /// A sentence of the papers.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        #[allow(missing_docs)] // each variant is explained by its own words
        pub enum Sentence { $($name),* }

        impl Sentence {
            /// All of them.
            pub const ALL: &[Sentence] = &[$(Sentence::$name),*];

            /// Its template in a language.
            pub fn template(self, language: Language) -> &'static str {
                match (self, language) {
                    $(
                        (Sentence::$name, Language::English) => $english,
                        (Sentence::$name, Language::German) => $german,
                    )*
                }
            }
        }
    };
}

sentences! {
    // ---- on every paper
    Foot { "Job {job} · serial number {serial}", "Auftrag {job} · Seriennummer {serial}" }
    FootFolder { "Job {job}", "Auftrag {job}" }
    Head { "Job {job} · {at}", "Auftrag {job} · {at}" }
    Practice { "practice: releases nothing", "practice: releases nothing (nur Übung: gibt nichts frei)" }
    OtherLanguage {
        "There are no texts for the language '{tag}' yet; this paper is in English.",
        "There are no texts for the language '{tag}' yet; this paper is in English." }
    AsRecorded {
        "Reasons are quoted as they were recorded.",
        "Begründungen stehen hier so, wie sie aufgezeichnet wurden." }
    Unknown { "not known", "nicht bekannt" }
    NotRecorded { "not recorded", "nicht festgehalten" }
    ItemsOf { "{n} item, {bytes}|{n} items, {bytes}", "{n} Eintrag, {bytes}|{n} Einträge, {bytes}" }
    DriveNamed { "{model}, serial number {serial}, {bytes}", "{model}, Seriennummer {serial}, {bytes}" }
    ModelUnknown { "model not known", "Modell nicht bekannt" }
    SizeUnknown { "size not known", "Größe nicht bekannt" }
    FolderNamed { "the folder {path}", "der Ordner {path}" }
    More { "and {n} more|and {n} more", "und {n} weiterer|und {n} weitere" }
    Owner { "owner", "Eigentümer" }
    Technician { "technician", "Techniker" }
    Nobody { "nobody", "niemand" }
    Signed { "signed on paper", "auf Papier unterschrieben" }
    Message { "by message", "per Nachricht" }
    Phone { "by telephone", "am Telefon" }
    OwnDecision { "by own decision", "aus eigener Entscheidung" }
    NameLine { "Name", "Name" }
    SignLine { "Signature", "Unterschrift" }
    DateLine { "Place and date", "Ort und Datum" }

    // ---- classes and how items ended
    Irreplaceable { "Exists nowhere else (irreplaceable)", "Gibt es nirgends sonst (unersetzlich)" }
    HardToReplace { "Hard to replace", "Schwer zu ersetzen" }
    Replaceable { "Can be bought or downloaded again (replaceable)", "Lässt sich neu kaufen oder laden (ersetzbar)" }
    Rebuildable { "Made again by the system itself (rebuildable)", "Legt das System selbst neu an" }
    ClassSaved {
        "{class}: {saved} of {n} item saved and proven, {saved_bytes} of {bytes}|{class}: {saved} of {n} items saved and proven, {saved_bytes} of {bytes}",
        "{class}: {saved} von {n} Eintrag gesichert und geprüft, {saved_bytes} von {bytes}|{class}: {saved} von {n} Einträgen gesichert und geprüft, {saved_bytes} von {bytes}" }
    ClassLeftOut {
        "{class}: {n} item, {bytes}, left out by a rule|{class}: all {n} items, {bytes}, left out by a rule",
        "{class}: {n} Eintrag, {bytes}, nach Regel ausgelassen|{class}: alle {n} Einträge, {bytes}, nach Regel ausgelassen" }
    EndDamaged { "{n} with gaps ({bytes})", "{n} mit Lücken ({bytes})" }
    EndUnreadable { "{n} unreadable ({bytes})", "{n} nicht lesbar ({bytes})" }
    EndLeftOut { "{n} left out by a rule ({bytes})", "{n} nach Regel ausgelassen ({bytes})" }
    EndPlaceholder { "{n} only in a cloud ({bytes})", "{n} nur in einer Cloud ({bytes})" }
    EndWaived { "{n} given up ({bytes})", "{n} aufgegeben ({bytes})" }
    EndUnsettled { "{n} not finished ({bytes})", "{n} noch nicht fertig ({bytes})" }
    LostDamaged { "{path}: {missing} of {bytes} are missing", "{path}: {missing} von {bytes} fehlen" }
    LostUnreadable { "{path}: nothing of it could be read ({bytes})", "{path}: nichts davon war lesbar ({bytes})" }
    LostGone { "{path}: no longer there when it was to be copied ({bytes})", "{path}: nicht mehr vorhanden, als es kopiert werden sollte ({bytes})" }
    LostContradicted { "{path}: copied whole, but may hold something else ({bytes})", "{path}: vollständig kopiert, kann aber etwas anderes enthalten ({bytes})" }
    LostClosedFolder { "{path}: this folder could not be opened; what it holds is not known", "{path}: dieser Ordner ließ sich nicht öffnen; was darin liegt, ist nicht bekannt" }
    LostPlaceholder { "{path}: lies only in a cloud, the drive holds no content", "{path}: liegt nur in einer Cloud, das Laufwerk enthält davon nichts" }
    LostPartPlaceholder { "{path}: lies only in part on the drive, and that part is not copied; the rest is in a cloud ({bytes} in all)", "{path}: liegt nur zum Teil auf dem Laufwerk, und dieser Teil ist nicht kopiert; der Rest liegt in einer Cloud (zusammen {bytes})" }
    LostWaived { "{path}: given up ({bytes})", "{path}: aufgegeben ({bytes})" }
    LostUnsettled { "{path}: not copied and proven yet ({bytes})", "{path}: noch nicht kopiert und geprüft ({bytes})" }
    LostFolder { "{folder}: {n} item, {missing} missing|{folder}: {n} items, {missing} missing", "{folder}: {n} Eintrag, {missing} fehlen|{folder}: {n} Einträge, {missing} fehlen" }
    TopFolder { "(at the top)", "(ganz oben)" }
    LostTotal {
        "In all {n} item is not saved, or not whole; {missing} are missing.|In all {n} items are not saved, or not whole; {missing} are missing.",
        "Insgesamt ist {n} Eintrag nicht oder nicht vollständig gesichert; es fehlen {missing}.|Insgesamt sind {n} Einträge nicht oder nicht vollständig gesichert; es fehlen {missing}." }
    LostTotalLeast {
        "In all {n} item is not saved, or not whole; at least {missing} are missing.|In all {n} items are not saved, or not whole; at least {missing} are missing.",
        "Insgesamt ist {n} Eintrag nicht oder nicht vollständig gesichert; es fehlen mindestens {missing}.|Insgesamt sind {n} Einträge nicht oder nicht vollständig gesichert; es fehlen mindestens {missing}." }
    LostPlaces { "Among them {n} part of the drive that could not be looked into, or not wholly:|Among them {n} parts of the drive that could not be looked into, or not wholly:", "Darunter {n} Teil des Laufwerks, in den nicht oder nicht ganz hineinzusehen war:|Darunter {n} Teile des Laufwerks, in die nicht oder nicht ganz hineinzusehen war:" }
    LostPlace { "{says}; not saved: {bytes}", "{says}; nicht gesichert: {bytes}" }
    LostPlaceUnknown { "{says}; how much is missing is not known", "{says}; wie viel fehlt, ist nicht bekannt" }
    LostByFolder { "All of them, counted by folder:", "Alle zusammen, nach Ordnern gezählt:" }
    LostFirst { "The first {n} by name:|The first {n} by name:", "Der erste mit Namen:|Die ersten {n} mit Namen:" }
    NotLookedInto {
        "The copies are the same as what was on the drive. Whether that was whole and readable, nobody has looked.",
        "Die Kopien gleichen dem, was auf dem Laufwerk war. Ob das heil und lesbar war, hat niemand angesehen." }
    LostNone { "Nothing that was to be saved is missing.", "Von dem, was gesichert werden sollte, fehlt nichts." }
    DoubtfulHead { "Kept, but perhaps unusable", "Vorhanden, aber vielleicht unbrauchbar" }
    DoubtfulTotal {
        "{n} copy ({bytes}) equals what was on the drive, but that was blank or not what its name claims. The copy is kept; it may not open.|{n} copies ({bytes}) equal what was on the drive, but that was blank or not what the names claim. The copies are kept; they may not open.",
        "{n} Kopie ({bytes}) gleicht dem, was auf dem Laufwerk war; das aber war leer oder nicht, was der Name sagt. Die Kopie bleibt erhalten; vielleicht lässt sie sich nicht öffnen.|{n} Kopien ({bytes}) gleichen dem, was auf dem Laufwerk war; das aber war leer oder nicht, was die Namen sagen. Die Kopien bleiben erhalten; vielleicht lassen sie sich nicht öffnen." }
    DoubtfulFolder { "{folder}: {n} copy, {bytes}|{folder}: {n} copies, {bytes}", "{folder}: {n} Kopie, {bytes}|{folder}: {n} Kopien, {bytes}" }
    DoubtfulItem { "{path} ({bytes})", "{path} ({bytes})" }
    DoubtfulList { "All of them by name: in the file {file} beside this paper.", "Alle mit Namen: in der Datei {file} neben diesem Papier." }
    RuleKnown { "{what}: {n} item, {bytes}.|{what}: {n} items, {bytes}.", "{what}: {n} Eintrag, {bytes}.|{what}: {n} Einträge, {bytes}." }
    RuleLine { "{rule}: {n} item, {bytes}. {why}|{rule}: {n} items, {bytes}. {why}", "{rule}: {n} Eintrag, {bytes}. {why}|{rule}: {n} Einträge, {bytes}. {why}" }
    WaiverLine {
        "{what}: {n} item, {bytes}. Reason: {why}. Decided by the {who}, {name}, {how}, on {at}.|{what}: {n} items, {bytes}. Reason: {why}. Decided by the {who}, {name}, {how}, on {at}.",
        "{what}: {n} Eintrag, {bytes}. Grund: {why}. Entschieden durch: {who}, {name}, {how}, am {at}.|{what}: {n} Einträge, {bytes}. Grund: {why}. Entschieden durch: {who}, {name}, {how}, am {at}." }
    WaiverPoint {
        "{what}. Reason: {why}. Decided by the {who}, {name}, {how}, on {at}.",
        "{what}. Grund: {why}. Entschieden durch: {who}, {name}, {how}, am {at}." }
    WaiverFolders { "{what} (and {n} folder or link around them)|{what} (and {n} folders and links around them)", "{what} (und {n} Ordner oder Verweis dazu)|{what} (und {n} Ordner und Verweise dazu)" }
    WaiverProof { "Shown by the file {proof}.", "Belegt durch die Datei {proof}." }
    WaiverSet { "List digest (BLAKE3): {hash}", "Prüfsumme der Liste (BLAKE3): {hash}" }
    WaiverPaths { "Among them: {paths}.", "Darunter: {paths}." }
    AskedFound { "“{asked}”: found, in {places}", "„{asked}“: gefunden, in {places}" }
    AskedFoundInPart {
        "“{asked}”: found, in {places}; {n} file there is not saved whole|“{asked}”: found, in {places}; {n} files there are not saved whole",
        "„{asked}“: gefunden, in {places}; {n} Datei dort ist nicht vollständig gesichert|„{asked}“: gefunden, in {places}; {n} Dateien dort sind nicht vollständig gesichert" }
    AskedNotHere { "“{asked}”: not on the drive. {reason}", "„{asked}“: nicht auf dem Laufwerk. {reason}" }
    AskedOpen { "“{asked}”: not answered yet", "„{asked}“: noch nicht beantwortet" }
    PointLine { "{says}. Lost if wiped now: {lost}.", "{says}. Verloren, wenn jetzt gelöscht wird: {lost}." }
    PointNext { "Next: {remedy}", "Nächster Schritt: {remedy}" }
    CopyLine { "{path} ({fs}): {standing}.", "{path} ({fs}): {standing}." }
    CopyLineWhy { "{path} ({fs}): {standing}: {why}.", "{path} ({fs}): {standing}: {why}." }
    Independent { "independent of the drive on hold", "unabhängig vom angehaltenen Laufwerk" }
    Dependent { "does not count as a copy", "zählt nicht als Kopie" }
    PracticeOnly { "counts for practice only", "zählt nur zur Übung" }
    ReadBack { "{n} copy, {bytes}, compared and equal: {how}, {at}|{n} copies, {bytes}, compared and equal: {how}, {at}",
        "{n} Kopie, {bytes}, verglichen und gleich: {how}, {at}|{n} Kopien, {bytes}, verglichen und gleich: {how}, {at}" }
    NotReadBack { "not read back yet", "noch nicht zurückgelesen" }
    HowMedium { "read back from the medium itself", "vom Datenträger selbst zurückgelesen" }
    HowNetwork { "read back over the network", "über das Netz zurückgelesen" }
    HowCache { "read back, perhaps from the machine's memory instead of the medium", "zurückgelesen, womöglich aus dem Arbeitsspeicher statt vom Datenträger" }
    RootLine { "Digest of the whole list (BLAKE3 of manifest-blake3.txt):", "Prüfsumme der ganzen Liste (BLAKE3 von manifest-blake3.txt):" }
    SymptomAnswers {
        "What we were told of the drive's symptoms changed: {answers}.",
        "Was uns über Anzeichen am Laufwerk gesagt wurde, hat sich geändert: {answers}." }
    MemoryAnswers {
        "What we were told of the copying computer's memory changed: {answers}.",
        "Was uns über den Arbeitsspeicher des kopierenden Computers gesagt wurde, hat sich geändert: {answers}." }
    CertificateLine { "Release certificate (BLAKE3):", "Freigabeurkunde (BLAKE3):" }
    SignedBy { "signed with the key {key}", "unterzeichnet mit dem Schlüssel {key}" }
    UnsignedRecord { "an unsigned record: it shows what the gate found, not who says so", "eine Aufzeichnung ohne Unterschrift: sie zeigt, was die Prüfung ergab, nicht wer es sagt" }
    PolicyLine { "{name}, BLAKE3 {hash}", "{name}, BLAKE3 {hash}" }

    // ---- the owner's receipt
    ReceiptTitle { "What we saved for you", "Was wir für Sie gesichert haben" }
    DearOwner { "Dear {owner},", "Guten Tag {owner}," }
    DearNobody { "Dear owner of this drive,", "Guten Tag," }
    ReceiptOpening {
        "Before anything is erased, we copied what was on your drive and compared the copies with the original. This letter says what you have, what you do not have, and how you can check both.",
        "bevor etwas gelöscht wird, haben wir kopiert, was auf Ihrem Laufwerk war, und die Kopien mit dem Original verglichen. Dieser Brief sagt, was Sie haben, was Sie nicht haben und wie Sie beides nachprüfen können." }
    ReceiptOpeningNothing {
        "Nothing of what was on your drive is saved and proven. This letter says what was found there, what was decided about it, and by whom.",
        "von dem, was auf Ihrem Laufwerk war, ist nichts gesichert und geprüft. Dieser Brief sagt, was dort gefunden und was darüber von wem entschieden wurde." }
    ReceiptHold {
        "We have not finished: {n} question is still open, and nothing may be erased yet. This letter is an interim report.|We have not finished: {n} questions are still open, and nothing may be erased yet. This letter is an interim report.",
        "Wir sind noch nicht fertig: {n} Frage ist offen, und es darf noch nichts gelöscht werden. Dieser Brief ist ein Zwischenstand.|Wir sind noch nicht fertig: {n} Fragen sind offen, und es darf noch nichts gelöscht werden. Dieser Brief ist ein Zwischenstand." }
    ReceiptReleased {
        "Everything on the drive is accounted for. On {at} we released it for erasing; the release holds until {until}.",
        "Über alles auf dem Laufwerk ist Rechenschaft abgelegt. Am {at} haben wir es zum Löschen freigegeben; die Freigabe gilt bis {until}." }
    ReceiptPractice {
        "This was a practice run: nothing has been released for erasing.",
        "Dies war eine Übung: es wurde nichts zum Löschen freigegeben." }
    ReceiptLapsed {
        "Everything on the drive was accounted for. We released it for erasing on {at}; that release held until {until} and is not in force at the date of this letter.",
        "Über alles auf dem Laufwerk war Rechenschaft abgelegt. Am {at} haben wir es zum Löschen freigegeben; die Freigabe galt bis {until} und ist zum Datum dieses Briefs nicht in Kraft." }
    ReceiptUsed {
        "Everything on the drive was accounted for. We released it for erasing on {at}; under that release the erasing was started on {used}.",
        "Über alles auf dem Laufwerk war Rechenschaft abgelegt. Am {at} haben wir es zum Löschen freigegeben; unter dieser Freigabe wurde das Löschen am {used} begonnen." }
    ReceiptUnasked {
        "Nothing that we know of is open, but it has not been released yet, and nothing may be erased. This letter is an interim report.",
        "Es ist nichts offen, wovon wir wissen, aber es ist noch nicht freigegeben, und es darf nichts gelöscht werden. Dieser Brief ist ein Zwischenstand." }
    YourDrive { "Your drive", "Ihr Laufwerk" }
    HealthSaid { "It reports of its health: {says}.", "Zu seinem Zustand meldet es: {says}." }
    HealthPlain { "It reports nothing that made us copy it otherwise than usual.", "Es meldet nichts, weswegen wir es anders als sonst kopiert hätten." }
    HealthUnreadWhy { "Its health could not be read: {why}.", "Sein Zustand ließ sich nicht auslesen: {why}." }
    HealthUnread { "Its health could not be read.", "Sein Zustand ließ sich nicht auslesen." }
    ForecastSaid { "Our newest forecast: a chance of {chance} of losing the drive while it is copied.", "Unsere neueste Vorhersage: Beim Kopieren geht das Laufwerk mit einer Wahrscheinlichkeit von {chance} verloren." }
    RouteOrdinary { "We copied it in the ordinary way.", "Wir haben es auf gewöhnlichem Weg kopiert." }
    RouteGentle { "We copied it gently, the most precious things first.", "Wir haben es schonend kopiert, das Kostbarste zuerst." }
    RouteSalvage { "We read its weak places piece by piece and kept whatever it still gave.", "Wir haben seine schwachen Stellen Stück für Stück gelesen und behalten, was es noch hergab." }
    RouteRefer { "We advised to ask a specialist laboratory first.", "Wir haben geraten, zuerst ein Fachlabor zu fragen." }
    Saved { "What is saved", "Was gesichert ist" }
    SavedOther {
        "We found {n} item ({bytes}). Left out by the rules named below: {left} ({left_bytes}). Of the other {rest} ({rest_bytes}), copied, read back and equal to the original: {saved} ({saved_bytes}).|We found {n} items ({bytes}). Left out by the rules named below: {left} ({left_bytes}). Of the other {rest} ({rest_bytes}), copied, read back and equal to the original: {saved} ({saved_bytes}).",
        "Wir fanden {n} Eintrag ({bytes}). Nach den unten genannten Regeln ausgelassen: {left} ({left_bytes}). Von den übrigen {rest} ({rest_bytes}) kopiert, zurückgelesen und gleich dem Original: {saved} ({saved_bytes}).|Wir fanden {n} Einträge ({bytes}). Nach den unten genannten Regeln ausgelassen: {left} ({left_bytes}). Von den übrigen {rest} ({rest_bytes}) kopiert, zurückgelesen und gleich dem Original: {saved} ({saved_bytes})." }
    SavedTotal {
        "Of {n} item ({bytes}), copied, read back and equal to the original: {saved} ({saved_bytes}).|Of {n} items ({bytes}), copied, read back and equal to the original: {saved} ({saved_bytes}).",
        "Von {n} Eintrag ({bytes}) kopiert, zurückgelesen und gleich dem Original: {saved} ({saved_bytes}).|Von {n} Einträgen ({bytes}) kopiert, zurückgelesen und gleich dem Original: {saved} ({saved_bytes})." }
    SavedGone {
        "{n} of the saved items ({bytes}) is no longer where it was copied from: the copy is all there is.|{n} of the saved items ({bytes}) are no longer where they were copied from: the copies are all there is.",
        "{n} gesicherter Eintrag ({bytes}) ist dort, woher er kopiert wurde, nicht mehr vorhanden: Es gibt nur noch die Kopie.|{n} gesicherte Einträge ({bytes}) sind dort, woher sie kopiert wurden, nicht mehr vorhanden: Es gibt nur noch die Kopien." }
    Person { "{who}: {bytes}, newest from {newest}", "{who}: {bytes}, neuestes vom {newest}" }
    PersonUndated { "{who}: {bytes}", "{who}: {bytes}" }
    NoProfile { "Outside of every profile", "Außerhalb aller Profile" }
    Pictures { "{n} picture or video|{n} pictures and videos", "{n} Bild oder Video|{n} Bilder und Videos" }
    Documents { "{n} document|{n} documents", "{n} Dokument|{n} Dokumente" }
    MailStores { "{n} mail store|{n} mail stores", "{n} Postablage|{n} Postablagen" }
    OnlyCloud { "{n} only in a cloud", "{n} nur in einer Cloud" }
    LockedOld { "{n} locked with a key of the old system", "{n} mit einem Schlüssel des alten Systems verschlossen" }
    People { "Whose things we found:", "Wessen Dinge wir fanden:" }
    Places { "Where the copies are", "Wo die Kopien sind" }
    PlacesNone { "No copy has been made.", "Es wurde keine Kopie angelegt." }
    Missing { "What is not saved", "Was nicht gesichert ist" }
    Agreed { "What was given up, and who agreed", "Was aufgegeben wurde und wer zugestimmt hat" }
    AgreedNone { "Nobody has agreed to lose anything.", "Niemand hat zugestimmt, etwas zu verlieren." }
    ByRule { "Left out by rule", "Nach Regel ausgelassen" }
    Asked { "What you asked for by name", "Wonach Sie gefragt haben" }
    AskedNone { "You named nothing in particular.", "Sie haben nichts Bestimmtes genannt." }
    StillOpen { "Still open", "Noch offen" }
    Keeping { "How long we keep our copy", "Wie lange wir unsere Kopie behalten" }
    KeepUntil { "Until {day}. After that we delete it, and record that we did.", "Bis zum {day}. Danach löschen wir sie und halten das fest." }
    KeepUnset { "No day has been agreed yet. Please ask us before you rely on our copy.", "Es ist noch kein Tag vereinbart. Bitte fragen Sie uns, bevor Sie sich auf unsere Kopie verlassen." }
    Check { "How to check it", "So prüfen Sie es nach" }
    CheckOpening {
        "Anyone can check the copy, without us and without our program. Open a command window in the folder named “bag” and type:",
        "Jeder kann die Kopie nachprüfen, ohne uns und ohne unser Programm. Öffnen Sie im Ordner „bag“ ein Befehlsfenster und geben Sie ein:" }
    CheckElsewhere {
        "Where that command is missing: on a Mac type “shasum -a 256 -c manifest-sha256.txt”; on Windows type “certutil -hashfile FILE SHA256” for one file and compare with its line in manifest-sha256.txt.",
        "Wo es diesen Befehl nicht gibt: auf dem Mac „shasum -a 256 -c manifest-sha256.txt“; unter Windows für eine einzelne Datei „certutil -hashfile DATEI SHA256“, verglichen mit ihrer Zeile in manifest-sha256.txt." }
    CheckMeaning {
        "Each file is named with OK or FAILED. The folder follows the open standard RFC 8493, so any program for that standard can check it too. What is not saved stands in the file bag/holdpoint/not-saved.json.",
        "Zu jeder Datei erscheint OK oder FAILED. Der Ordner folgt dem offenen Standard RFC 8493; jedes Programm für diesen Standard kann ihn prüfen. Was nicht gesichert ist, steht in der Datei bag/holdpoint/not-saved.json." }
    Home { "What to do at home", "Was Sie zu Hause tun sollten" }
    HomeOpen {
        "Open the pictures, letters and mail that matter most to you, old ones and new ones. We have shown that the copy equals the original; only you can see whether the original was what you remember.",
        "Öffnen Sie die Bilder, Briefe und E-Mails, die Ihnen am wichtigsten sind, alte und neue. Wir haben gezeigt, dass die Kopie dem Original gleicht; ob das Original war, was Sie in Erinnerung haben, sehen nur Sie." }
    HomeSecond { "Make a second copy on a device of your own and keep it in another place than the computer.", "Legen Sie eine zweite Kopie auf einem eigenen Gerät an und bewahren Sie sie nicht beim Computer auf." }
    HomeTell { "Tell us before {day} if something is missing. After that day we have nothing left to look in.", "Sagen Sie uns vor dem {day}, wenn etwas fehlt. Danach haben wir nichts mehr, worin wir suchen könnten." }
    HomeTellSoon { "Tell us as soon as you can if something is missing.", "Sagen Sie uns so bald wie möglich, wenn etwas fehlt." }
    HomePasswords { "Have your passwords and recovery codes at hand: those stored by the old system may not work on the new one.", "Halten Sie Passwörter und Wiederherstellungscodes bereit: die im alten System gespeicherten gelten im neuen womöglich nicht." }
    HomeCloud { "Sign in to your cloud accounts and see that {n} item which lay only there is still there.|Sign in to your cloud accounts and see that the {n} items which lay only there are still there.",
        "Melden Sie sich bei Ihren Cloud-Konten an und sehen Sie nach, ob {n} Eintrag, der nur dort lag, noch da ist.|Melden Sie sich bei Ihren Cloud-Konten an und sehen Sie nach, ob die {n} Einträge, die nur dort lagen, noch da sind." }
    HomeMemory {
        "The memory of your computer was in doubt. What was written while it was faulty may have been damaged before we saw it; an equal copy of a damaged picture is still damaged. Look at the newest files first.",
        "Am Arbeitsspeicher Ihres Computers bestanden Zweifel. Was während des Fehlers geschrieben wurde, kann schon vor uns beschädigt gewesen sein; die gleiche Kopie eines beschädigten Bildes bleibt beschädigt. Sehen Sie zuerst die neuesten Dateien an." }
    Closing { "With kind regards,", "Mit freundlichen Grüßen" }

    // ---- the sheet to sign
    SheetTitle { "Before we erase: please read and sign", "Bevor wir löschen: bitte lesen und unterschreiben" }
    SheetOpening {
        "The next step erases everything on what is named here, for good. Sign only what you agree to. Without your signature nothing is erased.",
        "Der nächste Schritt löscht alles auf dem, was hier genannt ist, endgültig. Unterschreiben Sie nur, womit Sie einverstanden sind. Ohne Ihre Unterschrift wird nichts gelöscht." }
    WillErase { "What will be erased", "Was gelöscht wird" }
    NotErased { "Other drives of this machine, which are not looked at and must be taken out first:", "Weitere Laufwerke dieses Geräts, die nicht durchgesehen sind und vorher ausgebaut werden müssen:" }
    VolumeOnly { "Only this opened volume is accounted for, not the disk that it lies on: that disk holds more, and nothing of it is released here.", "Nur über diesen geöffneten Bereich ist Rechenschaft abgelegt, nicht über das Laufwerk, auf dem er liegt: Es enthält mehr, und nichts davon ist hier freigegeben." }
    FolderOnly { "Only this folder is accounted for. Nothing is known of the rest of the drive that holds it.", "Nur über diesen Ordner ist Rechenschaft abgelegt. Über den Rest des Laufwerks, auf dem er liegt, ist nichts bekannt." }
    WillBeLost { "What you will lose", "Was Sie verlieren" }
    OnDrive { "What is on the drive", "Was auf dem Laufwerk ist" }
    OnDriveOpening { "Please look for what is not in this list and should be.", "Bitte achten Sie darauf, was in dieser Liste fehlt und da sein sollte." }
    ColFolder { "Folder", "Ordner" }
    ColItems { "Items", "Einträge" }
    ColNewest { "Newest", "Neuestes" }
    Decisions { "What you give up", "Was Sie aufgeben" }
    AgreeTo { "I agree to lose: {what}", "Ich bin einverstanden, zu verlieren: {what}" }
    AcceptAs { "I accept as it is: {what}", "Ich nehme es hin, wie es ist: {what}" }
    Recorded { "Already recorded; please confirm each with your signature.", "Schon festgehalten; bitte jedes mit Ihrer Unterschrift bestätigen." }
    ToDecide { "Still to be decided by you:", "Von Ihnen noch zu entscheiden:" }
    NotYours { "Not for you to decide; the shop settles these first:", "Nicht von Ihnen zu entscheiden; das klärt zuerst die Werkstatt:" }
    ThisPoint { "{says} (if wiped now: {lost})", "{says} (wenn jetzt gelöscht wird: {lost})" }
    ThisCount { "{says} ({n} item, if wiped now: {lost})|{says} ({n} items, if wiped now: {lost})", "{says} ({n} Eintrag, wenn jetzt gelöscht wird: {lost})|{says} ({n} Einträge, wenn jetzt gelöscht wird: {lost})" }
    Consent { "Your word", "Ihr Wort" }
    ConsentText {
        "The data are mine, or I may decide about them for their owner. I have seen this list, the folders with their newest dates, and what is not saved. What is named above as on hold may be erased.",
        "Die Daten gehören mir, oder ich darf für ihren Eigentümer entscheiden. Ich habe diese Liste, die Ordner mit ihren neuesten Daten und das, was nicht gesichert ist, gesehen. Was oben als angehalten genannt ist, darf gelöscht werden." }
    ShopText { "For the shop: I showed the owner this list and compared the serial numbers, where there are any, with the labels of the drives.", "Für die Werkstatt: Ich habe dem Eigentümer diese Liste gezeigt und die Seriennummern, wo es welche gibt, mit den Aufklebern der Laufwerke verglichen." }

    // ---- the hold tag
    TagTitle { "On hold", "Halt" }
    TagHead { "Job {job}", "Auftrag {job}" }
    TagPower { "Do not power on", "Nicht einschalten" }
    TagReset { "Do not reset", "Nicht zurücksetzen" }
    TagWipe { "Do not wipe", "Nicht löschen" }
    Model { "Model", "Modell" }
    Serial { "Serial number", "Seriennummer" }
    Size { "Size", "Größe" }
    Folder { "Folder", "Ordner" }
    TagSlip { "Nobody wipes or resets this without the release slip of job {job} in hand. This tag comes off against that slip only, and only after comparing the serial number.",
        "Ohne den Freigabeschein zu Auftrag {job} in der Hand wird hier nichts gelöscht oder zurückgesetzt. Diese Karte kommt nur gegen diesen Schein ab, und nur nach Vergleich der Seriennummer." }
    TagWhy { "Its data are not accounted for. Take this tag off only with the release slip of job {job} in hand, and only after comparing the serial number.",
        "Über die Daten ist noch keine Rechenschaft abgelegt. Nur mit dem Freigabeschein zu Auftrag {job} in der Hand entfernen, und nur nach Vergleich der Seriennummer." }
    TagAsk { "On hold since {at}. Ask: {who}", "Halt seit {at}. Fragen an: {who}" }
    TagCode { "Serial number and job digest; the printed text is what counts.", "Seriennummer und Prüfsumme des Auftrags; es gilt der gedruckte Text." }

    // ---- the release slip
    SlipTitle { "Release slip", "Freigabeschein" }
    SlipReleased { "Released", "Freigegeben" }
    SlipMay { "This drive may be wiped", "Dieses Laufwerk darf gelöscht werden" }
    SlipMayVolume { "This opened volume may be wiped, the disk beneath it not", "Dieser geöffnete Bereich darf gelöscht werden, das Laufwerk darunter nicht" }
    SlipMayFolder { "This folder may be deleted", "Dieser Ordner darf gelöscht werden" }
    SlipNot { "Not released", "Nicht freigegeben" }
    SlipNotText { "Nothing of this job may be wiped. {n} point is open.|Nothing of this job may be wiped. {n} points are open.", "Nichts aus diesem Auftrag darf gelöscht werden. {n} Punkt ist offen.|Nichts aus diesem Auftrag darf gelöscht werden. {n} Punkte sind offen." }
    SlipUnaskedText { "Nothing of this job may be wiped. No point is known to be open, but the gate has not released it.", "Nichts aus diesem Auftrag darf gelöscht werden. Es ist kein offener Punkt bekannt, aber die Prüfung hat nichts freigegeben." }
    SlipUsedText { "The release of {at} was used up on {used} by a guarded command. Nothing more of this job may be wiped under it.", "Die Freigabe vom {at} wurde am {used} durch einen bewachten Befehl verbraucht. Unter ihr darf nichts weiter aus diesem Auftrag gelöscht werden." }
    SlipLapsedText { "The release ran from {at} to {until} and is not in force now. Nothing of this job may be wiped until it is released again.", "Die Freigabe galt von {at} bis {until} und ist jetzt nicht in Kraft. Nichts aus diesem Auftrag darf gelöscht werden, bis es neu freigegeben ist." }
    SlipPractice { "Practice only: nothing may be wiped", "Nur Übung: nichts darf gelöscht werden" }
    SlipPracticeText { "This slip was made under the policy “{policy}”. It names what a real slip would name, and releases nothing.", "Dieser Schein entstand unter der Regelung „{policy}“. Er nennt, was ein echter Schein nennen würde, und gibt nichts frei." }
    SlipNamed { "On hold in this job", "In diesem Auftrag angehalten" }
    SlipNoSerial { "The serial number is not known: do not wipe.", "Die Seriennummer ist nicht bekannt: nicht löschen." }
    Until { "Until", "Bis" }
    SlipSize { "{bytes}, {exact} bytes", "{bytes}, {exact} Bytes" }
    SlipVoid { "The slip is void as soon as somebody starts the old system or writes to the drive. In doubt, ask:", "Der Schein ist nichtig, sobald jemand das alte System startet oder auf das Laufwerk schreibt. Im Zweifel fragen:" }
    Before { "Before you wipe", "Vor dem Löschen" }
    BeforeCompare { "Compare the serial number on the drive's label with this slip, character by character. If they differ, stop.", "Vergleichen Sie die Seriennummer auf dem Aufkleber Zeichen für Zeichen mit diesem Schein. Weichen sie ab: aufhören." }
    BeforeOthers { "Take out first, they are not released: {drives}", "Vorher ausbauen, sie sind nicht freigegeben: {drives}" }
    BeforeNoOthers { "No other internal drive of the machine is known. Look inside all the same: what is not named above is not released.", "Ein weiteres eingebautes Laufwerk ist nicht bekannt. Sehen Sie trotzdem nach: was oben nicht genannt ist, ist nicht freigegeben." }
    BeforeUnknown { "Open the machine and look: whether it holds other drives could not be told ({why}). What is not named above is not released.", "Öffnen Sie das Gerät und sehen Sie nach: ob es weitere Laufwerke enthält, war nicht festzustellen ({why}). Was oben nicht genannt ist, ist nicht freigegeben." }
    BeforeCopies { "Unplug the copies: {paths}", "Stecken Sie die Kopien ab: {paths}" }
    BeforeMemory { "If the memory was the cause, replace it before you set the machine up again.", "War der Arbeitsspeicher die Ursache, tauschen Sie ihn, bevor Sie das Gerät neu aufsetzen." }
    Relied { "What the release relies on", "Worauf sich die Freigabe stützt" }
    ReliedPolicy { "Policy", "Regelung" }
    ReliedSaved { "Saved and proven", "Gesichert und geprüft" }
    ReliedGivenUp { "Not saved, or not whole", "Nicht oder nicht ganz gesichert" }
    ReliedDecisions { "{items}; {n} decision recorded|{items}; {n} decisions recorded", "{items}; {n} Entscheidung festgehalten|{items}; {n} Entscheidungen festgehalten" }
    ReliedDoubtful { "Kept, but perhaps unusable", "Vorhanden, vielleicht unbrauchbar" }
    ReliedFingerprint { "Fingerprint", "Fingerabdruck" }
    ReliedCycles { "Times powered on", "Einschaltungen" }
    ReliedWritten { "Bytes written", "Geschriebene Bytes" }
    ReliedSignature { "Certificate", "Urkunde" }
    Care { "Take care", "Vorsicht" }
    CarePower { "Shut down, unplug the mains, disconnect or remove the battery, hold the power button for 10 seconds and ground yourself before you open the machine.", "Herunterfahren, Netz abstecken, Akku abklemmen oder ausbauen, den Einschaltknopf 10 Sekunden drücken und sich erden, bevor Sie das Gerät öffnen." }
    CareBattery { "Never work on a swollen battery: do not charge, press or pierce it; put it in a fire-safe place.", "Nie an einem aufgeblähten Akku arbeiten: nicht laden, drücken oder anstechen; feuersicher ablegen." }
    CareClicking { "A drive that clicks, was dropped or got wet is not powered again.", "Ein Laufwerk, das klackt, gefallen ist oder nass wurde, wird nicht wieder eingeschaltet." }
    CareLaw { "Local law and the owner's consent rule what may be copied, looked at, kept and erased.", "Örtliches Recht und die Einwilligung des Eigentümers bestimmen, was kopiert, angesehen, behalten und gelöscht werden darf." }
    CareDisposal { "A reset for an owner who keeps the machine is a repair. For disposal or resale the owner's rules apply; NIST SP 800-88 calls the actions Clear, Purge and Destroy.", "Zurücksetzen für einen Eigentümer, der das Gerät behält, ist eine Reparatur. Für Entsorgung oder Verkauf gelten die Vorgaben des Eigentümers; NIST SP 800-88 nennt die Verfahren Clear, Purge und Destroy." }
    Hands { "Signed off", "Abgezeichnet" }
    SecondLine { "Second look: name", "Zweiter Blick: Name" }
    LastFour { "Last 4 of the serial", "Letzte 4 der Seriennummer" }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    fn holes(form: &str) -> BTreeSet<&str> {
        form.split('{')
            .skip(1)
            .map(|behind| behind.split_once('}').unwrap().0)
            .collect()
    }

    #[test]
    fn both_languages_have_the_same_holes() {
        for sentence in Sentence::ALL {
            let forms = |language| -> Vec<BTreeSet<&str>> {
                sentence.template(language).split('|').map(holes).collect()
            };
            let english = forms(Language::English);
            let german = forms(Language::German);
            assert_eq!(english.len(), german.len(), "{sentence:?}");
            assert!(english.len() <= 2, "{sentence:?}");
            // The form for one may leave the number out: it is in its grammar.
            assert_eq!(english.last(), german.last(), "{sentence:?}");
            for form in english.iter().chain(&german) {
                let missing: Vec<_> = english.last().unwrap().difference(form).collect();
                assert!(missing.iter().all(|hole| **hole == "n"), "{sentence:?}");
            }
        }
    }
}
