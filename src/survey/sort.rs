//! What sort of thing a file is by its name: picture, document, mail store and so on.
//!
//! Invariant: a guess by name only ever speaks for keeping a file, never against it.

use std::sync::LazyLock;

/// The sorts that people and rules care about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Sort {
    /// Photograph or drawing.
    Picture,
    /// Film.
    Film,
    /// Music, speech.
    Sound,
    /// Text, table, slides, plan, address card.
    Document,
    /// Message or mail store.
    Mail,
    /// Many files in one: archive or image.
    Archive,
    /// Database or catalogue.
    Database,
    /// Key, certificate, password safe.
    Key,
    /// Anything else.
    Other,
}

impl Sort {
    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Sort::Picture => "picture",
            Sort::Film => "film",
            Sort::Sound => "sound",
            Sort::Document => "document",
            Sort::Mail => "mail",
            Sort::Archive => "archive",
            Sort::Database => "database",
            Sort::Key => "key",
            Sort::Other => "other",
        }
    }

    /// Whether no rule may leave out a file of this sort because of where it lies.
    /// (Sounds are not among them: systems and programs bring thousands.)
    pub fn is_kept(self) -> bool {
        !matches!(self, Sort::Sound | Sort::Other)
    }
}

/// Extensions by sort. Program packages (cab, msi, jar) and web pages are in none: systems are made of them.
const EXTENSIONS: [(Sort, &str); 8] = [
    (
        Sort::Picture,
        "jpg jpeg jpe jfif png gif bmp tif tiff heic heif avif webp jp2 dng cr2 cr3 crw nef nrw arw \
         srf sr2 orf rw2 raf pef srw x3f 3fr raw psd psb xcf svg ai eps cdr kra pcx tga",
    ),
    (
        Sort::Film,
        "mp4 m4v mov avi mkv wmv mpg mpeg mts m2ts vob 3gp flv webm dv ogv mod tod",
    ),
    (
        Sort::Sound,
        "mp3 m4a aac wav wma flac ogg opus aif aiff mid midi amr m4b",
    ),
    (
        Sort::Document,
        "doc docx docm dot dotx dotm rtf odt ott fodt pages txt md tex wpd wps pdf xps oxps epub \
         xls xlsx xlsm xlsb xlt xltx ods ots numbers csv ppt pptx pptm pps ppsx odp otp one pub vsd \
         vsdx mpp odg indd dwg dxf skp stl blend gpx vcf ics wab nk2 contact asd wbk snt",
    ),
    (Sort::Mail, "pst ost eml emlx msg mbx mbox dbx nsf tbb msf"),
    (
        Sort::Archive,
        "zip 7z rar tar gz tgz bz2 tbz xz txz zst lz lzh lzma arj sit iso img dmg vhd vhdx avhd \
         avhdx vmdk vdi qcow2 wim esd swm bkf bak",
    ),
    (
        Sort::Database,
        "mdb accdb sqlite sqlite3 db db3 mdf ndf ldf sdf dbf fdb gdb edb myd myi ibd lrcat fp7 \
         fmp12 qbw qbb",
    ),
    (Sort::Key, "pfx p12 jks key keystore kdb kdbx ppk asc gpg"),
];

/// The extensions as numbers, sorted, so that a look-up costs some eight comparisons.
static BY_EXTENSION: LazyLock<Vec<(u64, Sort)>> = LazyLock::new(|| {
    let mut all: Vec<(u64, Sort)> = EXTENSIONS
        .iter()
        .flat_map(|(sort, list)| list.split_whitespace().map(move |text| (text, *sort)))
        .filter_map(|(text, sort)| Some((packed(text)?, sort)))
        .collect();
    all.sort_unstable();
    all
});

/// An extension of at most eight bytes as a number, ASCII letters in lower case.
fn packed(extension: &str) -> Option<u64> {
    let mut bytes = [0u8; 8];
    bytes
        .get_mut(..extension.len())?
        .copy_from_slice(extension.as_bytes());
    bytes.make_ascii_lowercase();
    Some(u64::from_le_bytes(bytes))
}

/// The sort of a file by its name.
pub fn sort_of(name: &str) -> Sort {
    let Some((base, extension)) = name.rsplit_once('.') else {
        return Sort::Other;
    };
    if base.is_empty() {
        return Sort::Other;
    }
    let found = packed(extension).and_then(|key| {
        let at = BY_EXTENSION
            .binary_search_by_key(&key, |(have, _)| *have)
            .ok()?;
        BY_EXTENSION.get(at).map(|(_, sort)| *sort)
    });
    match found {
        Some(sort) => sort,
        None if name.eq_ignore_ascii_case("wallet.dat") => Sort::Key,
        None => Sort::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_tell_the_sort_without_case() {
        for (name, sort) in [
            ("IMG_1.JPG", Sort::Picture),
            ("a.b.heic", Sort::Picture),
            ("Film.MOV", Sort::Film),
            ("song.mp3", Sort::Sound),
            ("Brief.docx", Sort::Document),
            ("Archiv.PST", Sort::Mail),
            ("x.tar.gz", Sort::Archive),
            ("plum.sqlite", Sort::Database),
            ("Safe.kdbx", Sort::Key),
            ("Wallet.dat", Sort::Key),
            ("other.dat", Sort::Other),
            ("setup.cab", Sort::Other),
            (".jpg", Sort::Other),
            ("jpg", Sort::Other),
            ("x.", Sort::Other),
            ("x.äöüäöü", Sort::Other),
            ("x.ÄÖÜJPG", Sort::Other),
            ("", Sort::Other),
        ] {
            assert_eq!(sort_of(name), sort, "{name:?}");
        }
        let listed: usize = EXTENSIONS
            .iter()
            .map(|(_, list)| list.split_whitespace().count())
            .sum();
        let mut keys: Vec<u64> = BY_EXTENSION.iter().map(|(key, _)| *key).collect();
        keys.dedup();
        assert_eq!(
            keys.len(),
            listed,
            "an extension is too long or listed twice"
        );
        assert!(Sort::Picture.is_kept() && !Sort::Other.is_kept() && !Sort::Sound.is_kept());
    }
}
