use super::*;
use proptest::prelude::*;

fn classer() -> Classer {
    Classer::new(&Policy::builtin("home").unwrap())
}

fn root(kind: RootKind) -> Root {
    Root {
        kind,
        profiles: Vec::new(),
    }
}

/// Walks to `path` below a root and judges its last part.
fn judged(classer: &Classer, root: &Root, path: &str, kind: Kind) -> (String, Class, bool) {
    let (folders, name) = path.rsplit_once('/').unwrap_or(("", path));
    let mut state = classer.root_of(root);
    for folder in folders.split('/').filter(|part| !part.is_empty()) {
        state = classer.enter(&state, folder);
    }
    let verdict = classer.judge(&state, name, kind, 1000, None);
    (
        classer.rule_name(verdict.rule).to_owned(),
        verdict.class,
        verdict.leave_out,
    )
}

const IRR: Class = Class::Irreplaceable;
const HARD: Class = Class::HardToReplace;
const REPL: Class = Class::Replaceable;
const OUT: Class = Class::Rebuildable; // and left out

fn check(kind: RootKind, rows: &[(&str, &str, Class)]) {
    let classer = classer();
    for (path, rule, class) in rows {
        let want = ((*rule).to_owned(), *class, *class == OUT);
        assert_eq!(
            judged(&classer, &root(kind), path, Kind::File),
            want,
            "{path}"
        );
    }
}

/// Known folders of a profile (Microsoft, KNOWNFOLDERID), on a Windows volume.
#[test]
fn known_folders() {
    check(
        RootKind::Windows,
        &[
            ("Users/Anna/Desktop/x.txt", "own-files", IRR),
            ("Users/Anna/Documents/Steuer/2019.xyz", "own-files", IRR),
            ("Users/Anna/PICTURES/a.jpg", "own-files", IRR),
            ("users/Anna/Videos/a.mp4", "own-files", IRR),
            ("Users/Anna/Music/a.mp3", "own-files", IRR),
            ("Users/Anna/Downloads/ticket.pdf", "downloads", IRR),
            ("Users/Anna/Favorites/a.url", "shortcuts", HARD),
            ("Users/Anna/Links/a.lnk", "shortcuts", HARD),
            ("Users/Anna/Searches/a.search-ms", "shortcuts", HARD),
            ("Users/Anna/Contacts/a.contact", "shortcuts", HARD),
            ("Users/Anna/Saved Games/x/save1", "game-saves", IRR),
            ("Users/Anna/.strange/x", "profile-rest", IRR),
            ("Users/Anna/loose.dat", "profile-rest", IRR),
            ("Users/Anna.DESKTOP-7/Documents/x", "own-files", IRR),
            ("Users/TEMP/Documents/x", "own-files", IRR),
            ("Users/Public/Pictures/a.jpg", "own-files", IRR),
            ("Users/Public/x.bin", "shared-files", IRR),
            (
                "Users/Anna/AppData/Roaming/Tool/settings.ini",
                "program-data-personal",
                HARD,
            ),
            (
                "Users/Anna/AppData/Local/Tool/x",
                "program-data-personal",
                HARD,
            ),
            (
                "Users/Anna/AppData/LocalLow/Tool/x",
                "program-data-personal",
                HARD,
            ),
            ("Users/Anna/NTUSER.DAT", "user-registry", HARD),
            ("Users/Anna/ntuser.dat.LOG1", "user-registry", HARD),
            (
                "Users/Anna/AppData/Local/Microsoft/Windows/UsrClass.dat",
                "user-registry",
                HARD,
            ),
            ("Users/Default/NTUSER.DAT", "user-registry", HARD),
            ("Users/Default/x.lnk", "profile-template", OUT),
            ("Users/Default/letter.docx", "kept-by-type", IRR),
        ],
    );
}

#[test]
fn outside_the_profile() {
    check(
        RootKind::Windows,
        &[
            ("Data/books.xyz", "unknown", IRR),
            ("temp/x.tmp", "unknown", IRR),
            ("loose.txt", "unknown", IRR),
            (
                "ProgramData/Ledgerly/year2019.dat",
                "program-data-shared",
                IRR,
            ),
            ("ProgramData/Microsoft/Thing/x", "program-data-system", HARD),
            ("Program Files/Old/readme.chm", "installed-programs", OUT),
            ("Program Files/Old/customers.mdb", "kept-by-type", HARD),
            ("Program Files (x86)/Old/x.dll", "installed-programs", OUT),
            (
                "Users/A/AppData/Local/VirtualStore/Program Files/Old/x",
                "redirected-writes",
                IRR,
            ),
            ("inetpub/wwwroot/index.html", "web-sites", IRR),
            (
                "Program Files/Microsoft SQL Server/MSSQL15.X/MSSQL/DATA/firm.mdf",
                "databases",
                IRR,
            ),
            (
                "Program Files/Microsoft SQL Server/MSSQL15.X/MSSQL/DATA/firm.xyz",
                "database-folders",
                IRR,
            ),
            (
                "Windows.old/Users/Anna/AppData/Local/Temp/x.tmp",
                "earlier-installation",
                IRR,
            ),
            (
                "Windows.old.000/Users/Anna/a.jpg",
                "earlier-installation",
                IRR,
            ),
            ("Windows.old/ProgramData/x/y", "earlier-installation", IRR),
            ("$WINDOWS.~BT/Users/Anna/a", "earlier-installation", IRR),
            ("Windows.old/Photos/a", "unknown", IRR),
            ("Windows.old/Windows/System32/x.dll", "windows-system", OUT),
            (
                "Windows.old/Windows/System32/config/SAM",
                "system-hives",
                HARD,
            ),
            (
                "Windows.old/Program Files/x/y.dll",
                "installed-programs",
                OUT,
            ),
            (
                "FileHistory/anna/PC/Data/C/x (2019_01_01 10_00_00 UTC).bin",
                "file-history",
                IRR,
            ),
            ("WindowsImageBackup/PC/x.xml", "image-copies", HARD),
            ("old/machine.wim", "image-files", HARD),
            (
                "System Volume Information/{3808876b}",
                "previous-versions",
                HARD,
            ),
            ("$Recycle.Bin/S-1-5-21/$R12.bin", "recycle-bin", HARD),
            ("found.000/file0001.chk", "found-fragments", HARD),
            ("Users/Anna/OneDrive - Firm/x.bin", "cloud-folders", IRR),
            ("Windows/Fonts/Bought.ttf", "fonts", HARD),
            (
                "Users/Anna/AppData/Local/Microsoft/Windows/Fonts/b.ttf",
                "own-fonts",
                HARD,
            ),
            (
                "Windows/System32/spool/drivers/x64/p.dll",
                "windows-system",
                OUT,
            ),
            (
                "Windows/ServiceProfiles/NetworkService/x",
                "service-profiles",
                HARD,
            ),
            (
                "Windows/System32/config/systemprofile/x",
                "system-hives",
                HARD,
            ),
        ],
    );
}

#[test]
fn application_data_that_people_miss() {
    check(
        RootKind::Windows,
        &[
            ("Data/old/mail.PST", "mail-archives", IRR),
            (
                "Users/A/AppData/Local/Microsoft/Outlook/a.ost",
                "mail-cache",
                HARD,
            ),
            ("Users/A/x/a.eml", "mail", IRR),
            (
                "Users/A/AppData/Roaming/Bird/Profiles/x.default/Mail/Local Folders/Inbox",
                "mail-folders",
                IRR,
            ),
            (
                "Users/A/AppData/Roaming/Bird/Profiles/x.default/Mail/Inbox.msf",
                "mail",
                IRR,
            ),
            (
                "Users/A/AppData/Local/Microsoft/Windows Mail/x",
                "mail-folders",
                IRR,
            ),
            (
                "Users/A/AppData/Local/Comms/UnistoreDB/store.vol",
                "mail-folders",
                IRR,
            ),
            ("Users/A/Documents/all.vcf", "addresses-calendars", IRR),
            (
                "Users/A/AppData/Local/Microsoft/Outlook/RoamCache/Stream_x.dat",
                "addresses-mail-program",
                IRR,
            ),
            (
                "Users/A/AppData/Local/Maker/Browser/User Data/Default/Bookmarks",
                "browser-profiles",
                HARD,
            ),
            (
                "Users/A/AppData/Roaming/Maker/Browser/Profiles/x/places.sqlite-wal",
                "browser-profiles",
                HARD,
            ),
            (
                "ProgramData/Microsoft/Wlansvc/Profiles/Interfaces/{1}/{2}.xml",
                "wireless-networks",
                REPL,
            ),
            (
                "Users/A/AppData/Local/Packages/Microsoft.MicrosoftStickyNotes_8w/LocalState/plum.sqlite-wal",
                "sticky-notes",
                IRR,
            ),
            (
                "Users/A/AppData/Roaming/Microsoft/Sticky Notes/StickyNotes.snt",
                "sticky-notes",
                IRR,
            ),
            (
                "Users/A/AppData/Local/Packages/Maker.Chat_1/LocalState/x",
                "store-app-data",
                HARD,
            ),
            (
                "Users/A/AppData/Roaming/Microsoft/Word/AutoRecovery save of x",
                "unsaved-drafts",
                IRR,
            ),
            (
                "Users/A/AppData/Local/Microsoft/Office/UnsavedFiles/x",
                "unsaved-drafts",
                IRR,
            ),
            ("Data/letter.asd", "unsaved-drafts-beside", IRR),
            ("Data/~$letter.docx", "unsaved-drafts-beside", IRR),
            (
                "Users/A/AppData/Roaming/Microsoft/Templates/Normal.dotm",
                "templates-dictionaries",
                HARD,
            ),
            (
                "Users/A/AppData/Roaming/Microsoft/UProof/CUSTOM.DIC",
                "templates-dictionaries",
                HARD,
            ),
            (
                "Users/A/AppData/Roaming/Microsoft/Excel/XLSTART/PERSONAL.XLSB",
                "macros",
                HARD,
            ),
            (
                "Users/A/AppData/Roaming/Microsoft/Signatures/a.htm",
                "signatures",
                HARD,
            ),
            ("Users/A/Documents/OneNote Notebooks/x/y", "note-books", IRR),
            (
                "Users/A/AppData/Local/Microsoft/OneNote/16.0/Backup/x",
                "note-books",
                IRR,
            ),
            (
                "Users/A/AppData/Roaming/Maker/MobileSync/Backup/00/ab",
                "phone-backups",
                IRR,
            ),
            (
                "Users/A/Maker/MobileSync/Backup/00/ab",
                "phone-backups",
                IRR,
            ),
            ("Users/A/Pictures/all.lrcat", "photo-catalogues", IRR),
            ("Data/cert.p12", "certificates", IRR),
            ("Data/safe.kdbx", "password-safes", IRR),
            (
                "Users/A/AppData/Local/M/B/User Data/Default/Local Extension Settings/abc/000003.log",
                "password-safes",
                IRR,
            ),
            ("Data/coins/wallet.dat", "wallets", IRR),
            ("Data/eth/keystore/UTC--2019-01-01", "wallets", IRR),
            ("Users/A/.ssh/id_ed25519", "login-keys", IRR),
            (
                "Users/A/AppData/Roaming/gnupg/pubring.kbx",
                "login-keys",
                IRR,
            ),
            ("Data/x.ppk", "login-key-files", IRR),
            ("Data/repo/.git/objects/ab/cd", "repositories", IRR),
            ("Users/A/.kube/config", "developer-data", IRR),
            ("Users/A/.wslconfig", "developer-data", IRR),
            (
                "Users/A/AppData/Local/Packages/Maker.Linux_1/LocalState/ext4.vhdx",
                "linux-subsystem",
                IRR,
            ),
            (
                "Users/A/AppData/Local/wsl/{1}/disk.vhdx",
                "linux-subsystem",
                IRR,
            ),
            ("Data/vm/win.vhdx", "virtual-machines", IRR),
            (
                "ProgramData/Microsoft/Windows/Virtual Hard Disks/a.vmcx",
                "virtual-machines-shared",
                IRR,
            ),
            ("Users/A/Documents/My Games/x/save", "game-saves", IRR),
            (
                "Users/A/AppData/Local/Packages/G_1/SystemAppData/wgs/x",
                "game-saves",
                IRR,
            ),
            ("Users/A/Documents/Scanned Documents/a.bin", "scans", IRR),
            (
                "ProgramData/Microsoft/Windows NT/MSFax/Inbox/a.bin",
                "scans-faxes",
                IRR,
            ),
            (
                "Users/A/AppData/Local/M/B/User Data/Default/IndexedDB/x/Cache/1",
                "offline-web-data",
                HARD,
            ),
            (
                "Users/A/AppData/Roaming/Chat/Local Storage/leveldb/1",
                "offline-web-data",
                HARD,
            ),
            ("Windows/System32/Tasks/mine", "system-settings", REPL),
            (
                "Windows/System32/drivers/etc/hosts",
                "system-settings",
                REPL,
            ),
            ("Windows/System32/config/SOFTWARE", "system-hives", HARD),
            ("Windows/System32/config/RegBack/SAM", "system-hives", HARD),
            (
                "Users/A/AppData/Roaming/Microsoft/Protect/S-1-5-21/x",
                "user-secrets",
                IRR,
            ),
            (
                "Users/A/AppData/Local/Microsoft/Vault/x",
                "user-secrets",
                IRR,
            ),
            (
                "Windows/System32/Microsoft/Protect/S-1-5-18/x",
                "machine-secrets",
                IRR,
            ),
        ],
    );
}

#[test]
fn left_out_on_the_record() {
    check(
        RootKind::Windows,
        &[
            ("pagefile.sys", "paging-files", OUT),
            ("swapfile.sys", "paging-files", OUT),
            ("hiberfil.sys", "hibernation", OUT),
            ("Windows/explorer.exe", "windows-system", OUT),
            ("Windows/WinSxS/x/y.dll", "installer-caches", OUT),
            (
                "Windows/SoftwareDistribution/Download/x.cab",
                "installer-caches",
                OUT,
            ),
            ("Windows/Prefetch/X.pf", "installer-caches", OUT),
            ("Windows/Minidump/1.dmp", "crash-records", REPL),
            ("Windows/MEMORY.DMP", "crash-records", REPL),
            ("Windows/Temp/x.tmp", "system-temporary", OUT),
            ("Windows/Temp/thesis.docx", "kept-by-type", IRR),
            ("Windows/Web/Wallpaper/img0.jpg", "kept-by-type", HARD),
            ("Users/A/AppData/Local/Temp/x.tmp", "temporary-files", OUT),
            ("Users/A/AppData/Local/Temp/offer.docx", "kept-by-type", IRR),
            ("Users/A/AppData/Local/Temp/mail.pst", "mail-archives", IRR),
            (
                "Users/A/AppData/Local/Microsoft/Windows/INetCache/Content.Outlook/ABC/x.bin",
                "mail-attachments",
                IRR,
            ),
            (
                "Users/A/AppData/Local/Microsoft/Windows/INetCache/IE/x.js",
                "caches",
                OUT,
            ),
            (
                "Users/A/AppData/Local/M/B/User Data/Default/Cache/Cache_Data/f_1",
                "caches",
                OUT,
            ),
            (
                "Users/A/AppData/Local/M/B/User Data/Default/Code Cache/js/1",
                "caches",
                OUT,
            ),
            (
                "Users/A/AppData/Roaming/Chat/GPUCache/data_1",
                "caches",
                OUT,
            ),
            (
                "Users/A/AppData/Local/Microsoft/Windows/Explorer/thumbcache_256.db",
                "thumbnails",
                OUT,
            ),
            (
                "ProgramData/Microsoft/Search/Data/x.jtx",
                "search-index",
                OUT,
            ),
            ("$MFT", "file-system-own", OUT),
            ("$Extend/$UsnJrnl", "file-system-own", OUT),
            ("Windows/System32/Recovery/Winre.wim", "recovery-image", OUT),
        ],
    );
}

#[test]
fn a_mere_name_leaves_nothing_out() {
    check(
        RootKind::Windows,
        &[
            ("Users/A/Documents/Cache/x", "own-files", IRR),
            ("Users/A/Documents/Temp/x.tmp", "own-files", IRR),
            (
                "Users/A/Documents/AppData/Local/Temp/x.tmp",
                "own-files",
                IRR,
            ),
            ("Data/Windows/explorer.exe", "unknown", IRR),
            ("Data/pagefile.sys", "unknown", IRR),
            ("Data/AppData/Local/Temp/x.tmp", "unknown", IRR),
            ("Users/A/pagefile.sys", "profile-rest", IRR),
            ("WindowsX/x", "unknown", IRR),
            (
                "Users/A/AppData/Local/Cachet/x",
                "program-data-personal",
                HARD,
            ),
        ],
    );
    for kind in [RootKind::Folder, RootKind::Data] {
        check(
            kind,
            &[
                ("Windows/bay window.xyz", "unknown", IRR),
                ("Program Files/x.dll", "unknown", IRR),
                ("Cache/x", "unknown", IRR),
                ("Temp/x.tmp", "unknown", IRR),
                ("tmp/x", "unknown", IRR),
            ],
        );
    }
    check(
        RootKind::Folder,
        &[("pagefile.sys", "unknown", IRR), ("$MFT", "unknown", IRR)],
    );
    check(RootKind::Data, &[("pagefile.sys", "paging-files", OUT)]);
    check(
        RootKind::Profile,
        &[
            ("Windows/x", "profile-rest", IRR),
            ("Cache/x", "profile-rest", IRR),
        ],
    );
}

#[test]
fn the_root_may_be_one_profile_or_the_folder_that_holds_them() {
    check(
        RootKind::Profile,
        &[
            ("Documents/x", "own-files", IRR),
            ("AppData/Local/Temp/x.tmp", "temporary-files", OUT),
            ("AppData/Roaming/Microsoft/Protect/S/x", "user-secrets", IRR),
            ("NTUSER.DAT", "user-registry", HARD),
        ],
    );
    check(
        RootKind::Holder,
        &[
            ("Anna/Documents/x", "own-files", IRR),
            ("Anna/AppData/Local/Temp/x.tmp", "temporary-files", OUT),
            ("Anna/loose", "profile-rest", IRR),
        ],
    );
    check(
        RootKind::Folder,
        &[
            (
                "Users/Anna/AppData/Local/Temp/x.tmp",
                "temporary-files",
                OUT,
            ),
            ("home/ben/.cache/x", "caches-linux", OUT),
        ],
    );
    let classer = classer();
    let looks = |kind| Root {
        kind,
        profiles: vec!["Anna".to_owned()],
    };
    let path = "Anna/AppData/Local/Temp/x.tmp";
    assert!(judged(&classer, &looks(RootKind::Folder), path, Kind::File).2);
    // On a volume it is an unknown root folder: nothing in it is left out.
    assert!(!judged(&classer, &looks(RootKind::Data), path, Kind::File).2);
}

/// From memory; Linux: File System Hierarchy Standard 3.0 and XDG Base Directory Specification.
#[test]
fn macos_and_linux_homes() {
    check(
        RootKind::Mac,
        &[
            ("Users/anna/Desktop/x", "own-files", IRR),
            ("Users/anna/Movies/x", "own-files", IRR),
            (
                "Users/anna/Pictures/All.photoslibrary/database/x",
                "photo-catalogues",
                IRR,
            ),
            ("Users/anna/Library/Mail/V10/x", "mail-folders", IRR),
            (
                "Users/anna/Library/Messages/chat.db-wal",
                "mail-folders",
                IRR,
            ),
            (
                "Users/anna/Library/Keychains/login.keychain-db",
                "user-secrets",
                IRR,
            ),
            (
                "Users/anna/Library/Application Support/MobileSync/Backup/a/b",
                "phone-backups",
                IRR,
            ),
            (
                "Users/anna/Library/Application Support/x/y",
                "mac-program-data",
                HARD,
            ),
            (
                "Users/anna/Library/Containers/x/Data/y",
                "mac-program-data",
                HARD,
            ),
            (
                "Users/anna/Library/Preferences/x.plist",
                "mac-program-data",
                HARD,
            ),
            (
                "Users/anna/Library/Mobile Documents/x/y",
                "cloud-folders",
                IRR,
            ),
            ("Users/anna/Library/Caches/x/y", "caches-mac", OUT),
            ("Users/anna/Library/Caches/x/y.pdf", "kept-by-type", HARD),
            ("Users/Shared/x", "shared-files", IRR),
            ("Applications/Tool.app/x", "mac-shared-data", HARD),
            ("private/var/db/x", "mac-shared-data", HARD),
            ("System/Library/x", "mac-system", OUT),
            ("Data/x", "unknown", IRR),
        ],
    );
    check(
        RootKind::Linux,
        &[
            ("home/ben/letter", "profile-rest", IRR),
            ("home/ben/.ssh/id_rsa", "login-keys", IRR),
            ("home/ben/.gnupg/x", "login-keys", IRR),
            ("home/ben/.config/x", "developer-data", IRR),
            ("home/ben/.local/share/x/y", "linux-program-data", HARD),
            ("home/ben/.var/app/x/data/y", "linux-program-data", HARD),
            ("home/ben/.var/app/x/cache/y", "caches-linux", OUT),
            ("home/ben/.cache/x", "caches-linux", OUT),
            ("root/x", "profile-rest", IRR),
            ("etc/fstab", "linux-settings", HARD),
            ("opt/x", "linux-settings", HARD),
            ("usr/local/bin/x", "linux-settings", HARD),
            ("srv/x", "linux-served", IRR),
            ("var/lib/db/x", "linux-served", IRR),
            ("var/www/x", "linux-served", IRR),
            ("usr/bin/x", "linux-system", OUT),
            ("proc/1/x", "linux-system", OUT),
            ("var/spool/x", "unknown", IRR),
        ],
    );
}

#[test]
fn links_that_windows_makes_are_named_and_others_stay() {
    let classer = classer();
    let windows = root(RootKind::Windows);
    for (path, rule) in [
        ("Users/A/Application Data", "compatibility-links"),
        ("Users/A/Documents/My Pictures", "compatibility-links"),
        (
            "Users/A/AppData/Local/Application Data",
            "compatibility-links",
        ),
        ("Documents and Settings", "compatibility-links-system"),
        ("ProgramData/Application Data", "compatibility-links-system"),
        ("Users/All Users", "compatibility-links-system"),
    ] {
        assert_eq!(
            judged(&classer, &windows, path, Kind::Link),
            (rule.to_owned(), OUT, true),
            "{path}"
        );
    }
    // A folder or file of that name is the person's own.
    assert_eq!(
        judged(&classer, &windows, "Users/A/My Documents", Kind::Folder).0,
        "profile-rest"
    );
    assert_eq!(
        judged(&classer, &windows, "Users/A/Documents", Kind::Link).0,
        "profile-rest"
    );
}

#[test]
fn a_folder_falls_under_the_rule_of_its_content() {
    let classer = classer();
    let windows = root(RootKind::Windows);
    assert_eq!(
        judged(&classer, &windows, "Windows", Kind::Folder).0,
        "windows-system"
    );
    assert_eq!(
        judged(
            &classer,
            &windows,
            "Users/A/AppData/Local/Temp",
            Kind::Folder
        )
        .0,
        "temporary-files"
    );
    assert_eq!(
        judged(
            &classer,
            &windows,
            "Users/A/AppData/Local/Temp/x.pdf",
            Kind::Folder
        )
        .0,
        "temporary-files"
    );
    assert_eq!(
        judged(&classer, &windows, "Windows", Kind::File).0,
        "unknown"
    );
}

#[test]
fn streams_have_rules_of_their_own() {
    let classer = classer();
    let windows = classer.root_of(&root(RootKind::Windows));
    let walk = |path: &str| {
        path.split('/')
            .fold(windows.clone(), |state, part| classer.enter(&state, part))
    };
    let say = |state: &FolderState, name: &str, bytes, stream: &str| {
        let verdict = classer.judge(state, name, Kind::File, bytes, Some(stream));
        (
            classer.rule_name(verdict.rule).to_owned(),
            verdict.leave_out,
        )
    };
    let downloads = walk("Users/A/Downloads");
    assert_eq!(
        say(&downloads, "x.pdf", 90, "zone.identifier"),
        ("download-mark".to_owned(), true)
    );
    assert_eq!(
        say(&downloads, "x.pdf", 90, "com.apple.x"),
        ("downloads".to_owned(), false)
    );
    let system = walk("Windows/System32");
    assert_eq!(
        say(&system, "x.dll", 90, "note"),
        ("windows-system".to_owned(), true)
    );
    assert_eq!(
        say(&system, "x.dll", 4097, "hidden"),
        ("large-stream".to_owned(), false)
    );
    assert_eq!(
        say(&walk("Windows.old/Users/A"), "x.pdf", 90, "Zone.Identifier"),
        ("earlier-installation".to_owned(), false)
    );
    assert_eq!(
        say(&walk("Data"), "x.pdf", 90, "Zone.Identifier"),
        ("unknown".to_owned(), false)
    );
}

#[test]
fn every_verdict_has_a_name_and_a_reason() {
    let classer = classer();
    for number in 0..=u16::MAX {
        assert!(!classer.rule_name(RuleId(number)).is_empty());
        assert!(!classer.rule_why(RuleId(number)).is_empty());
    }
    let own: Vec<_> = (0..3)
        .map(|index| classer.rule_name(classer.own(index)))
        .collect();
    assert_eq!(own, RESERVED);
}

#[test]
fn globs_match_within_a_part() {
    for (pattern, name, want) in [
        ("*.pst", "A.PST", true),
        ("ntuser.dat*", "NTUSER.DAT", true),
        ("s-*-*", "S-1-5", true),
        ("a?c", "abc", true),
        ("a?c", "ac", false),
        ("*a*a*a*b", "aaaaaaaaaaaaaaaaaaaaaaaaaaaa", false),
        ("*", "", true),
    ] {
        assert_eq!(
            glob(pattern.as_bytes(), name.as_bytes()),
            want,
            "{pattern} {name}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the path: a file that is a document by its name is kept, and so is everything in an earlier installation's
    /// Users folder, in an unknown root folder, and below a folder that nothing is known of.
    #[test]
    fn no_exclusion_reaches_what_is_protected(
        parts in proptest::collection::vec(
            prop_oneof![
                Just("Windows".to_owned()), Just("AppData".to_owned()), Just("Local".to_owned()), Just("Temp".to_owned()),
                Just("Cache".to_owned()), Just("Users".to_owned()), Just("Library".to_owned()), Just("Caches".to_owned()),
                Just(".cache".to_owned()), Just("Program Files".to_owned()), Just("pagefile.sys".to_owned()), "\\PC{1,4}",
            ], 0..8),
        kind in prop_oneof![Just(RootKind::Windows), Just(RootKind::Linux), Just(RootKind::Mac), Just(RootKind::Profile), Just(RootKind::Holder)],
    ) {
        let classer = classer();
        let walk = |from: FolderState| parts.iter().fold(from, |state, part| classer.enter(&state, part));
        let state = walk(classer.root_of(&root(kind)));
        for name in ["a.docx", "b.JPG", "c.pst", "d.sqlite", "e.zip", "f.kdbx"] {
            prop_assert!(!classer.judge(&state, name, Kind::File, 1, None).leave_out, "{:?} {}", parts, name);
        }
        let windows = classer.root_of(&root(RootKind::Windows));
        let old = classer.enter(&classer.enter(&windows, "Windows.old"), "Users");
        let own = classer.enter(&windows, "Our things");
        for start in [old, own] {
            let state = walk(start);
            for stream in [None, Some("Zone.Identifier")] {
                let verdict = classer.judge(&state, "x.tmp", Kind::File, 1, stream);
                prop_assert!(!verdict.leave_out && verdict.class == Class::Irreplaceable || classer.rule_name(verdict.rule) != "unknown");
                prop_assert!(!verdict.leave_out, "{:?}", parts);
            }
        }
    }

    /// A walk costs the same however deep and repetitive it is.
    #[test]
    fn the_state_stays_small(parts in proptest::collection::vec("(AppData|Profiles|Roaming|Cache|keystore|\\.git|a)", 0..200)) {
        let classer = classer();
        let mut state = classer.root_of(&root(RootKind::Profile));
        let bound: usize = classer.patterns.iter().map(|pattern| pattern.parts.len()).sum();
        for part in &parts {
            state = classer.enter(&state, part);
            prop_assert!(state.live.len() <= bound);
        }
        prop_assert!(parts.len() < 20 || state.live.len() < 120, "{}", state.live.len());
    }
}
