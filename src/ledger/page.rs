//! Items page by page, so that a step that works long on each holds no open query and no long list.

use super::items::read_both;
use super::row::{GOT_COLUMNS, ITEM_COLUMNS};
use super::terms::FOLDER;
use super::{GotRow, ItemRow, Ledger, LedgerError};
use rusqlite::params;
use std::collections::VecDeque;

/// Item rows one by one, fetched a page at a time.
#[derive(Default)]
pub struct Paged {
    rows: VecDeque<(ItemRow, GotRow)>,
    after: i64,
}

impl Paged {
    /// The next row; `more` fetches those after an item's number.
    pub fn next(
        &mut self,
        more: impl FnOnce(i64) -> Result<Vec<(ItemRow, GotRow)>, LedgerError>,
    ) -> Result<Option<(ItemRow, GotRow)>, LedgerError> {
        if self.rows.is_empty() {
            self.rows = more(self.after)?.into();
        }
        let next = self.rows.pop_front();
        if let Some((item, _)) = &next {
            self.after = item.id;
        }
        Ok(next)
    }
}

impl Ledger {
    /// Up to `limit` items after number `after` for which `condition` (SQL over `item` and `got`) holds, in the order of their numbers: a folder comes before what lies in it.
    pub fn items_after(
        &self,
        condition: &str,
        after: i64,
        limit: usize,
    ) -> Result<Vec<(ItemRow, GotRow)>, LedgerError> {
        self.page(
            &format!("item.id > ?1 AND ({condition}) ORDER BY item.id LIMIT ?2"),
            after,
            limit,
        )
    }

    /// Up to `limit` folders before number `before`, the last first: what lies deepest comes first.
    pub fn folders_before(
        &self,
        before: i64,
        limit: usize,
    ) -> Result<Vec<(ItemRow, GotRow)>, LedgerError> {
        self.page(
            &format!("item.id < ?1 AND {FOLDER} ORDER BY item.id DESC LIMIT ?2"),
            before,
            limit,
        )
    }

    fn page(
        &self,
        rest: &str,
        from: i64,
        limit: usize,
    ) -> Result<Vec<(ItemRow, GotRow)>, LedgerError> {
        let sql = format!(
            "SELECT {ITEM_COLUMNS}, {GOT_COLUMNS} FROM item LEFT JOIN got ON got.item = item.id WHERE {rest}"
        );
        let mut query = self.doing("taking the next items", self.db().prepare_cached(&sql))?;
        let rows = self.doing(
            "taking the next items",
            query.query_map(params![from, limit as i64], read_both),
        )?;
        rows.map(|row| self.doing("reading an item", row)).collect()
    }
}
