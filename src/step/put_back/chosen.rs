//! Which items of a job are put back.

use super::spots::{Parts, own_name};
use crate::ledger::ItemRow;
use crate::survey::item::Class;

/// Whose items.
pub enum Person {
    /// What lies in this folder.
    Within(Parts),
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
        let own = || {
            let mut path = folder.to_vec();
            path.push(own_name(item));
            path
        };
        self.class.is_none_or(|class| class == item.class)
            && match &self.person {
                None => true,
                // The profile's own folder belongs to it.
                Some(Person::Within(profile)) => {
                    folder.starts_with(profile) || own().starts_with(profile)
                }
                Some(Person::Outside(profiles)) => {
                    let path = own();
                    !profiles.iter().any(|profile| path.starts_with(profile))
                }
            }
    }
}
