//! Which items of a job are put back.

use super::spots::Parts;
use crate::ledger::ItemRow;
use crate::survey::item::Class;

/// Whose items.
pub enum Person {
    /// What lies in one of these folders: the profile, and what was moved out of it.
    Within(Vec<Parts>),
    /// What lies in none of these.
    Outside(Vec<Parts>),
}

/// Which items.
pub struct Chosen {
    /// Only of this class.
    pub class: Option<Class>,
    /// Only this person's.
    pub person: Option<Person>,
}

impl Chosen {
    /// Whether an item in `folder` is meant.
    pub fn has(&self, item: &ItemRow, folder: &[Vec<u8>]) -> bool {
        // A stream belongs where the file or folder does that it is of.
        let own = || {
            let mut path = folder.to_vec();
            path.push(item.name.path_part());
            path
        };
        self.class.is_none_or(|class| class == item.class)
            && match &self.person {
                None => true,
                // The profile's own folder belongs to it.
                Some(Person::Within(folders)) => folders
                    .iter()
                    .any(|one| folder.starts_with(one) || own().starts_with(one)),
                Some(Person::Outside(profiles)) => {
                    let path = own();
                    !profiles.iter().any(|profile| path.starts_with(profile))
                }
            }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::Want;
    use crate::survey::item::{Kind, Marks};
    use crate::value::Name;

    fn parts(path: &str) -> Parts {
        path.split('/')
            .map(|part| part.as_bytes().to_vec())
            .collect()
    }

    #[test]
    fn a_person_has_what_was_moved_and_the_streams_of_the_folder_itself() {
        let chosen = |person| Chosen {
            class: None,
            person: Some(person),
        };
        let mine = vec![parts("v1/Users/Ann"), parts("v2/Fotos")];
        let (own, others) = (
            chosen(Person::Within(mine.clone())),
            chosen(Person::Outside(mine)),
        );
        let mut item = ItemRow::bare(1, Kind::File, Want::Wanted, Marks::default());
        for (folder, name, stream, is_hers) in [
            ("v1/Users/Ann", "a", None, true),
            ("v2/Fotos/2019", "b.jpg", None, true),
            ("v1/Users", "Ann", None, true),
            ("v1/Users", "Ann", Some("note"), true),
            ("v1/Users", "Anna", Some("note"), false),
            ("v2", "c.jpg", None, false),
        ] {
            (item.name, item.stream) = (Name::of(name), stream.map(Name::of));
            assert_eq!(own.has(&item, &parts(folder)), is_hers, "{folder}/{name}");
            assert_eq!(
                others.has(&item, &parts(folder)),
                !is_hers,
                "{folder}/{name}"
            );
        }
    }
}
