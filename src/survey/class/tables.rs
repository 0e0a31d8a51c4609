//! Where people's things lie, row by row: path, rule, class.

use super::tests::{OUT, classer, judged, root};
use super::*;

/// Rows `CLASS rule = path`, of a file below a root of the given kind.
fn check(kind: RootKind, rows: &str) {
    let mut checked = 0;
    for row in rows.lines().map(str::trim).filter(|row| !row.is_empty()) {
        let (head, path) = row.split_once(" = ").unwrap();
        let (word, rule) = head.split_once(' ').unwrap();
        let class = match word {
            "IRR" => Class::Irreplaceable,
            "HARD" => Class::HardToReplace,
            "REPL" => Class::Replaceable,
            "OUT" => OUT,
            other => panic!("{other}"),
        };
        let want = (rule.trim().to_owned(), class, class == OUT);
        assert_eq!(
            judged(classer(), &root(kind), path, Kind::File),
            want,
            "{path}"
        );
        checked += 1;
    }
    assert!(checked > 0);
}

/// Known folders of a profile (Microsoft, KNOWNFOLDERID), on a Windows volume.
#[test]
fn known_folders() {
    check(
        RootKind::Windows,
        r#"
        IRR  own-files = Users/Anna/Desktop/x.txt
        IRR  own-files = Users/Anna/Documents/Steuer/2019.xyz
        IRR  own-files = Users/Anna/PICTURES/a.jpg
        IRR  own-files = users/Anna/Videos/a.mp4
        IRR  own-files = Users/Anna/Music/a.mp3
        IRR  downloads = Users/Anna/Downloads/ticket.pdf
        HARD shortcuts = Users/Anna/Favorites/a.url
        HARD shortcuts = Users/Anna/Links/a.lnk
        HARD shortcuts = Users/Anna/Searches/a.search-ms
        HARD shortcuts = Users/Anna/Contacts/a.contact
        IRR  game-saves = Users/Anna/Saved Games/x/save1
        IRR  profile-rest = Users/Anna/.strange/x
        IRR  profile-rest = Users/Anna/loose.dat
        IRR  own-files = Users/Anna.DESKTOP-7/Documents/x
        IRR  own-files = Users/TEMP/Documents/x
        IRR  own-files = Users/Public/Pictures/a.jpg
        IRR  shared-files = Users/Public/x.bin
        HARD program-data-personal = Users/Anna/AppData/Roaming/Tool/settings.ini
        HARD program-data-personal = Users/Anna/AppData/Local/Tool/x
        HARD program-data-personal = Users/Anna/AppData/LocalLow/Tool/x
        HARD user-registry = Users/Anna/NTUSER.DAT
        HARD user-registry = Users/Anna/ntuser.dat.LOG1
        HARD user-registry = Users/Anna/AppData/Local/Microsoft/Windows/UsrClass.dat
        HARD user-registry = Users/Default/NTUSER.DAT
        OUT  profile-template = Users/Default/x.lnk
        IRR  kept-by-type = Users/Default/letter.docx
"#,
    );
}

#[test]
fn outside_the_profile() {
    check(
        RootKind::Windows,
        r#"
        IRR  unknown = Data/books.xyz
        IRR  unknown = temp/x.tmp
        IRR  unknown = loose.txt
        IRR  program-data-shared = ProgramData/Ledgerly/year2019.dat
        HARD program-data-system = ProgramData/Microsoft/Thing/x
        OUT  installed-programs = Program Files/Old/readme.chm
        HARD kept-by-type = Program Files/Old/customers.mdb
        OUT  installed-programs = Program Files (x86)/Old/x.dll
        OUT  installed-programs = Program Files (x86)/Old/SETUP.EXE
        HARD kept-by-type = Program Files/Praxis/kunden.dat
        HARD kept-by-type = Program Files/Praxis/data/patients.pax
        HARD kept-by-type = Program Files/Praxis/patients
        HARD kept-by-type = Program Files (x86)/Praxis/settings.exe.ini
        OUT  store-programs = Program Files/WindowsApps/Tool_1.0_x64/data.bin
        IRR  redirected-writes = Users/A/AppData/Local/VirtualStore/Program Files/Old/x
        IRR  web-sites = inetpub/wwwroot/index.html
        IRR  databases = Program Files/Microsoft SQL Server/MSSQL15.X/MSSQL/DATA/firm.mdf
        IRR  database-folders = Program Files/Microsoft SQL Server/MSSQL15.X/MSSQL/DATA/firm.xyz
        IRR  earlier-installation = Windows.old/Users/Anna/AppData/Local/Temp/x.tmp
        IRR  earlier-installation = Windows.old.000/Users/Anna/a.jpg
        IRR  earlier-installation = Windows.old/ProgramData/x/y
        IRR  earlier-installation = $WINDOWS.~BT/Users/Anna/a
        IRR  unknown = Windows.old/Photos/a
        OUT  windows-system = Windows.old/Windows/System32/x.dll
        HARD system-hives = Windows.old/Windows/System32/config/SAM
        OUT  installed-programs = Windows.old/Program Files/x/y.dll
        IRR  file-history = FileHistory/anna/PC/Data/C/x (2019_01_01 10_00_00 UTC).bin
        HARD image-copies = WindowsImageBackup/PC/x.xml
        HARD image-files = old/machine.wim
        HARD previous-versions = System Volume Information/{3808876b}
        HARD recycle-bin = $Recycle.Bin/S-1-5-21/$R12.bin
        HARD found-fragments = found.000/file0001.chk
        IRR  cloud-folders = Users/Anna/OneDrive - Firm/x.bin
        HARD fonts = Windows/Fonts/Bought.ttf
        HARD own-fonts = Users/Anna/AppData/Local/Microsoft/Windows/Fonts/b.ttf
        OUT  windows-system = Windows/System32/spool/drivers/x64/p.dll
        HARD service-profiles = Windows/ServiceProfiles/NetworkService/x
        HARD system-hives = Windows/System32/config/systemprofile/x
"#,
    );
}

/// What opens with keys only is told apart from the keys.
#[test]
fn saved_secrets_and_their_keys() {
    let rows = r#"
        IRR  saved-logins = Users/A/AppData/Roaming/Microsoft/Credentials/0A
        IRR  saved-logins = Users/A/AppData/Local/Microsoft/Vault/x/y.vcrd
        HARD saved-passwords = Users/A/AppData/Local/Maker/Browser/User Data/Default/Login Data
        HARD saved-passwords = Users/A/AppData/Local/Maker/Browser/User Data/Profile 2/Login Data For Account
        HARD saved-passwords = Users/A/AppData/Local/Packages/B_x/LocalCache/Local/V/User Data/Default/Login Data
        IRR  saved-logins = Documents and Settings/A/Application Data/Microsoft/Credentials/S-1/x
        HARD saved-passwords = Documents and Settings/A/Local Settings/Application Data/V/B/User Data/Default/Login Data
        IRR  user-secrets = Documents and Settings/A/Application Data/Microsoft/Protect/S-1/x
        HARD browser-profiles = Users/A/AppData/Local/Maker/Browser/User Data/Default/Bookmarks
        IRR  user-secrets = Users/A/AppData/Roaming/Microsoft/Protect/S-1-5-21/x
"#;
    check(RootKind::Windows, rows);
    for row in rows.lines().map(str::trim).filter(|row| !row.is_empty()) {
        let (head, path) = row.split_once(" = ").unwrap();
        let (folder, name) = path.rsplit_once('/').unwrap();
        let state = (folder.split('/')).fold(
            classer().root_of(&root(RootKind::Windows)),
            |state, part| classer().enter(&state, part),
        );
        let rule = classer().judge(&state, name, Kind::File, 1, None).rule;
        assert_eq!(
            classer().is_key_bound(rule),
            head.contains("saved-"),
            "{path}"
        );
    }
}

#[test]
fn application_data_that_people_miss() {
    check(
        RootKind::Windows,
        r#"
        IRR  mail-archives = Data/old/mail.PST
        HARD mail-cache = Users/A/AppData/Local/Microsoft/Outlook/a.ost
        IRR  mail = Users/A/x/a.eml
        IRR  mail-folders = Users/A/AppData/Roaming/Bird/Profiles/x.default/Mail/Local Folders/Inbox
        IRR  mail = Users/A/AppData/Roaming/Bird/Profiles/x.default/Mail/Inbox.msf
        IRR  mail-folders = Users/A/AppData/Local/Microsoft/Windows Mail/x
        IRR  mail-folders = Users/A/AppData/Local/Comms/UnistoreDB/store.vol
        IRR  addresses-calendars = Users/A/Documents/all.vcf
        IRR  addresses-mail-program = Users/A/AppData/Local/Microsoft/Outlook/RoamCache/Stream_x.dat
        HARD browser-profiles = Users/A/AppData/Local/Maker/Browser/User Data/Default/Bookmarks
        HARD browser-profiles = Users/A/AppData/Roaming/Maker/Browser/Profiles/x/places.sqlite-wal
        REPL wireless-networks = ProgramData/Microsoft/Wlansvc/Profiles/Interfaces/{1}/{2}.xml
        IRR  sticky-notes = Users/A/AppData/Local/Packages/Microsoft.MicrosoftStickyNotes_8w/LocalState/plum.sqlite-wal
        IRR  sticky-notes = Users/A/AppData/Roaming/Microsoft/Sticky Notes/StickyNotes.snt
        HARD store-app-data = Users/A/AppData/Local/Packages/Maker.Chat_1/LocalState/x
        IRR  unsaved-drafts = Users/A/AppData/Roaming/Microsoft/Word/AutoRecovery save of x
        IRR  unsaved-drafts = Users/A/AppData/Local/Microsoft/Office/UnsavedFiles/x
        IRR  unsaved-drafts-beside = Data/letter.asd
        IRR  unsaved-drafts-beside = Data/~$letter.docx
        HARD templates-dictionaries = Users/A/AppData/Roaming/Microsoft/Templates/Normal.dotm
        HARD templates-dictionaries = Users/A/AppData/Roaming/Microsoft/UProof/CUSTOM.DIC
        HARD macros = Users/A/AppData/Roaming/Microsoft/Excel/XLSTART/PERSONAL.XLSB
        HARD signatures = Users/A/AppData/Roaming/Microsoft/Signatures/a.htm
        IRR  note-books = Users/A/Documents/OneNote Notebooks/x/y
        IRR  note-books = Users/A/AppData/Local/Microsoft/OneNote/16.0/Backup/x
        IRR  phone-backups = Users/A/AppData/Roaming/Maker/MobileSync/Backup/00/ab
        IRR  phone-backups = Users/A/Maker/MobileSync/Backup/00/ab
        IRR  photo-catalogues = Users/A/Pictures/all.lrcat
        IRR  certificates = Data/cert.p12
        IRR  password-safes = Data/safe.kdbx
        IRR  password-safes = Users/A/AppData/Local/M/B/User Data/Default/Local Extension Settings/abc/000003.log
        IRR  wallets = Data/coins/wallet.dat
        IRR  wallets = Data/eth/keystore/UTC--2019-01-01
        IRR  login-keys = Users/A/.ssh/id_ed25519
        IRR  login-keys = Users/A/AppData/Roaming/gnupg/pubring.kbx
        IRR  login-key-files = Data/x.ppk
        IRR  repositories = Data/repo/.git/objects/ab/cd
        IRR  developer-data = Users/A/.kube/config
        IRR  developer-data = Users/A/.wslconfig
        IRR  linux-subsystem = Users/A/AppData/Local/Packages/Maker.Linux_1/LocalState/ext4.vhdx
        IRR  linux-subsystem = Users/A/AppData/Local/wsl/{1}/disk.vhdx
        IRR  virtual-machines = Data/vm/win.vhdx
        IRR  virtual-machines-shared = ProgramData/Microsoft/Windows/Virtual Hard Disks/a.vmcx
        IRR  game-saves = Users/A/Documents/My Games/x/save
        IRR  game-saves = Users/A/AppData/Local/Packages/G_1/SystemAppData/wgs/x
        IRR  scans = Users/A/Documents/Scanned Documents/a.bin
        IRR  scans-faxes = ProgramData/Microsoft/Windows NT/MSFax/Inbox/a.bin
        HARD offline-web-data = Users/A/AppData/Local/M/B/User Data/Default/IndexedDB/x/Cache/1
        HARD offline-web-data = Users/A/AppData/Roaming/Chat/Local Storage/leveldb/1
        REPL system-settings = Windows/System32/Tasks/mine
        REPL system-settings = Windows/System32/drivers/etc/hosts
        HARD system-hives = Windows/System32/config/SOFTWARE
        HARD system-hives = Windows/System32/config/RegBack/SAM
        IRR  user-secrets = Users/A/AppData/Roaming/Microsoft/Protect/S-1-5-21/x
        IRR  saved-logins = Users/A/AppData/Local/Microsoft/Vault/x
        IRR  machine-secrets = Windows/System32/Microsoft/Protect/S-1-5-18/x
"#,
    );
}

#[test]
fn left_out_on_the_record() {
    check(
        RootKind::Windows,
        r#"
        OUT  paging-files = pagefile.sys
        OUT  paging-files = swapfile.sys
        OUT  hibernation = hiberfil.sys
        OUT  windows-system = Windows/explorer.exe
        OUT  installer-caches = Windows/WinSxS/x/y.dll
        OUT  installer-caches = Windows/SoftwareDistribution/Download/x.cab
        OUT  installer-caches = Windows/Prefetch/X.pf
        REPL crash-records = Windows/Minidump/1.dmp
        REPL crash-records = Windows/MEMORY.DMP
        OUT  system-temporary = Windows/Temp/x.tmp
        IRR  kept-by-type = Windows/Temp/thesis.docx
        HARD kept-by-type = Windows/Web/Wallpaper/img0.jpg
        IRR  early-profiles = Windows/Profiles/Opa/Eigene Dateien/brief.dat
        HARD temporary-recordings = Users/A/AppData/Local/Temp/memo.m4a
        HARD temporary-recordings = Users/A/AppData/Local/Temp/chat/memo.wav
        IRR  kept-by-type = Users/A/AppData/Local/Temp/firm.qbw
        IRR  kept-by-type = Users/A/AppData/Local/Temp/tour.gpx
        IRR  kept-by-type = Users/A/AppData/Local/Temp/house.blend
        OUT  windows-system = Windows/Media/chord.wav
        OUT  temporary-files = Users/A/AppData/Local/Temp/x.tmp
        IRR  kept-by-type = Users/A/AppData/Local/Temp/offer.docx
        IRR  mail-archives = Users/A/AppData/Local/Temp/mail.pst
        IRR  mail-attachments = Users/A/AppData/Local/Microsoft/Windows/INetCache/Content.Outlook/ABC/x.bin
        OUT  caches = Users/A/AppData/Local/Microsoft/Windows/INetCache/IE/x.js
        OUT  caches = Users/A/AppData/Local/M/B/User Data/Default/Cache/Cache_Data/f_1
        OUT  caches = Users/A/AppData/Local/M/B/User Data/Default/Code Cache/js/1
        OUT  caches = Users/A/AppData/Roaming/Chat/GPUCache/data_1
        OUT  thumbnails = Users/A/AppData/Local/Microsoft/Windows/Explorer/thumbcache_256.db
        OUT  search-index = ProgramData/Microsoft/Search/Data/x.jtx
        OUT  file-system-own = $MFT
        OUT  temporary-files = Documents and Settings/Anna/Local Settings/Temp/x.tmp
        IRR  mail-attachments = Documents and Settings/Anna/Local Settings/Temporary Internet Files/OLK12/x.bin
        OUT  caches = Documents and Settings/Anna/Local Settings/Temporary Internet Files/Content.IE5/x.js
        HARD program-data-personal = Documents and Settings/Anna/Application Data/x/y
        IRR  own-files = Documents and Settings/Anna/Desktop/y
        OUT  file-system-own = $Extend/$UsnJrnl
        OUT  recovery-image = Windows/System32/Recovery/Winre.wim
        OUT  recovery-image = Recovery/WindowsRE/ReAgent.xml
"#,
    );
}

#[test]
fn a_recovery_volume_is_left_out_and_what_people_put_beside_it_is_not() {
    check(
        RootKind::Recovery,
        r#"
        OUT  recovery-volume = Recovery/WindowsRE/Winre.wim
        OUT  recovery-volume = Recovery/WindowsRE/boot.sdi
        OUT  recovery-volume = Recovery/WindowsRE/ReAgent.xml
        HARD image-files = Recovery/WindowsRE/mine.wim
        IRR  unknown = Recovery/WindowsRE/letter.doc
        IRR  unknown = Photos/a.jpg
"#,
    );
    check(
        RootKind::Data,
        "HARD image-files = Recovery/WindowsRE/Winre.wim",
    );
}

#[test]
fn a_mere_name_leaves_nothing_out() {
    check(
        RootKind::Windows,
        r#"
        IRR  own-files = Users/A/Documents/Cache/x
        IRR  own-files = Users/A/Documents/Temp/x.tmp
        IRR  own-files = Users/A/Documents/AppData/Local/Temp/x.tmp
        IRR  unknown = Data/Windows/explorer.exe
        IRR  unknown = Data/pagefile.sys
        IRR  unknown = Data/AppData/Local/Temp/x.tmp
        IRR  profile-rest = Users/A/pagefile.sys
        IRR  unknown = WindowsX/x
        HARD program-data-personal = Users/A/AppData/Local/Cachet/x
"#,
    );
    for kind in [RootKind::Folder, RootKind::Data] {
        check(
            kind,
            r#"
        IRR  unknown = Windows/bay window.xyz
        IRR  unknown = Program Files/x.dll
        IRR  unknown = Cache/x
        IRR  unknown = Temp/x.tmp
        IRR  unknown = tmp/x
"#,
        );
    }
    check(
        RootKind::Folder,
        r#"
        IRR  unknown = pagefile.sys
        IRR  unknown = $MFT
"#,
    );
    check(
        RootKind::Data,
        r#"
        OUT  paging-files = pagefile.sys
"#,
    );
    check(
        RootKind::Profile,
        r#"
        IRR  profile-rest = Windows/x
        IRR  profile-rest = Cache/x
"#,
    );
}

#[test]
fn the_root_may_be_one_profile_or_the_folder_that_holds_them() {
    check(
        RootKind::Profile,
        r#"
        IRR  own-files = Documents/x
        OUT  temporary-files = AppData/Local/Temp/x.tmp
        IRR  user-secrets = AppData/Roaming/Microsoft/Protect/S/x
        HARD user-registry = NTUSER.DAT
"#,
    );
    check(
        RootKind::Holder,
        r#"
        IRR  own-files = Anna/Documents/x
        OUT  temporary-files = Anna/AppData/Local/Temp/x.tmp
        IRR  profile-rest = Anna/loose
"#,
    );
    check(
        RootKind::Folder,
        r#"
        OUT  temporary-files = Users/Anna/AppData/Local/Temp/x.tmp
        OUT  caches-linux = home/ben/.cache/x
"#,
    );
    let classer = classer();
    let looks = |kind| Root {
        kind,
        profiles: vec!["Anna".to_owned()],
    };
    let path = "Anna/AppData/Local/Temp/x.tmp";
    assert!(judged(classer, &looks(RootKind::Folder), path, Kind::File).2);
    // On a volume it is an unknown root folder: nothing in it is left out.
    assert!(!judged(classer, &looks(RootKind::Data), path, Kind::File).2);
}

/// From memory; Linux: File System Hierarchy Standard 3.0 and XDG Base Directory Specification.
#[test]
fn macos_and_linux_homes() {
    check(
        RootKind::Mac,
        r#"
        IRR  own-files = Users/anna/Desktop/x
        IRR  own-files = Users/anna/Movies/x
        IRR  photo-catalogues = Users/anna/Pictures/All.photoslibrary/database/x
        IRR  mail-folders = Users/anna/Library/Mail/V10/x
        IRR  mail-folders = Users/anna/Library/Messages/chat.db-wal
        IRR  user-secrets = Users/anna/Library/Keychains/login.keychain-db
        IRR  phone-backups = Users/anna/Library/Application Support/MobileSync/Backup/a/b
        HARD mac-program-data = Users/anna/Library/Application Support/x/y
        HARD mac-program-data = Users/anna/Library/Containers/x/Data/y
        HARD mac-program-data = Users/anna/Library/Preferences/x.plist
        IRR  cloud-folders = Users/anna/Library/Mobile Documents/x/y
        OUT  caches-mac = Users/anna/Library/Caches/x/y
        HARD kept-by-type = Users/anna/Library/Caches/x/y.pdf
        IRR  shared-files = Users/Shared/x
        HARD mac-shared-data = Applications/Tool.app/x
        HARD mac-shared-data = private/var/db/x
        OUT  mac-system = System/Library/x
        IRR  unknown = Data/x
"#,
    );
    check(
        RootKind::Linux,
        r#"
        IRR  profile-rest = home/ben/letter
        IRR  login-keys = home/ben/.ssh/id_rsa
        IRR  login-keys = home/ben/.gnupg/x
        IRR  developer-data = home/ben/.config/x
        HARD linux-program-data = home/ben/.local/share/x/y
        HARD linux-program-data = home/ben/.var/app/x/data/y
        OUT  caches-linux = home/ben/.var/app/x/cache/y
        OUT  caches-linux = home/ben/.cache/x
        IRR  profile-rest = root/x
        HARD linux-settings = etc/fstab
        HARD linux-settings = opt/x
        HARD linux-settings = usr/local/bin/x
        IRR  linux-served = srv/x
        IRR  linux-served = var/lib/db/x
        IRR  linux-served = var/www/x
        OUT  linux-system = usr/bin/x
        OUT  linux-system = proc/1/x
        IRR  unknown = var/spool/x
"#,
    );
}
