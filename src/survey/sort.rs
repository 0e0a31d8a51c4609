//! What sort of thing a file is by its name: picture, document, mail store and so on.
//!
//! Invariant: a guess by name only ever speaks for keeping a file, never against it.

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

/// Longest extension that names a sort, in bytes.
const LONGEST: usize = 9;

/// The sort of a file by its name. Program packages (cab, msi, jar) and web pages are `Other`: systems are made of them.
pub fn sort_of(name: &str) -> Sort {
    let Some((base, extension)) = name.rsplit_once('.') else {
        return Sort::Other;
    };
    if base.is_empty() || extension.len() > LONGEST {
        return Sort::Other;
    }
    let mut lower = [0u8; LONGEST];
    let Some(lower) = lower.get_mut(..extension.len()) else {
        return Sort::Other;
    };
    lower.copy_from_slice(extension.as_bytes());
    lower.make_ascii_lowercase();
    match std::str::from_utf8(lower).unwrap_or_default() {
        "jpg" | "jpeg" | "jpe" | "jfif" | "png" | "gif" | "bmp" | "tif" | "tiff" | "heic"
        | "heif" | "avif" | "webp" | "jp2" | "dng" | "cr2" | "cr3" | "crw" | "nef" | "nrw"
        | "arw" | "srf" | "sr2" | "orf" | "rw2" | "raf" | "pef" | "srw" | "x3f" | "3fr" | "raw"
        | "psd" | "psb" | "xcf" | "svg" | "ai" | "eps" | "cdr" | "kra" | "pcx" | "tga" => {
            Sort::Picture
        }
        "mp4" | "m4v" | "mov" | "avi" | "mkv" | "wmv" | "mpg" | "mpeg" | "mts" | "m2ts" | "vob"
        | "3gp" | "flv" | "webm" | "dv" | "ogv" | "mod" | "tod" => Sort::Film,
        "mp3" | "m4a" | "aac" | "wav" | "wma" | "flac" | "ogg" | "opus" | "aif" | "aiff"
        | "mid" | "midi" | "amr" | "m4b" => Sort::Sound,
        "doc" | "docx" | "docm" | "dot" | "dotx" | "dotm" | "rtf" | "odt" | "ott" | "fodt"
        | "pages" | "txt" | "md" | "tex" | "wpd" | "wps" | "pdf" | "xps" | "oxps" | "epub"
        | "xls" | "xlsx" | "xlsm" | "xlsb" | "xlt" | "xltx" | "ods" | "ots" | "numbers" | "csv"
        | "ppt" | "pptx" | "pptm" | "pps" | "ppsx" | "odp" | "otp" | "one" | "pub" | "vsd"
        | "vsdx" | "mpp" | "odg" | "indd" | "dwg" | "dxf" | "skp" | "stl" | "vcf" | "ics"
        | "wab" | "nk2" | "contact" | "asd" | "wbk" | "snt" => Sort::Document,
        "pst" | "ost" | "eml" | "emlx" | "msg" | "mbx" | "mbox" | "dbx" | "nsf" | "tbb" | "msf" => {
            Sort::Mail
        }
        "zip" | "7z" | "rar" | "tar" | "gz" | "tgz" | "bz2" | "tbz" | "xz" | "txz" | "zst"
        | "lz" | "lzh" | "lzma" | "arj" | "sit" | "iso" | "img" | "dmg" | "vhd" | "vhdx"
        | "avhd" | "avhdx" | "vmdk" | "vdi" | "qcow2" | "wim" | "esd" | "swm" | "bkf" | "bak" => {
            Sort::Archive
        }
        "mdb" | "accdb" | "sqlite" | "sqlite3" | "db" | "db3" | "mdf" | "ndf" | "ldf" | "sdf"
        | "dbf" | "fdb" | "gdb" | "edb" | "myd" | "myi" | "ibd" | "lrcat" | "fp7" | "fmp12" => {
            Sort::Database
        }
        "pfx" | "p12" | "jks" | "key" | "keystore" | "kdb" | "kdbx" | "ppk" | "asc" | "gpg" => {
            Sort::Key
        }
        _ if name.eq_ignore_ascii_case("wallet.dat") => Sort::Key,
        _ => Sort::Other,
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
        assert!(Sort::Picture.is_kept() && !Sort::Other.is_kept() && !Sort::Sound.is_kept());
    }
}
