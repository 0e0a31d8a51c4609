//! Statements of other machines: a bag verified where the memory is another one.
//!
//! Invariant: a statement counts only if it names the very manifest root that the bag has now,
//! was made after the last copy, by a machine with another identity, and every copy was equal.

use crate::job::Job;
use crate::ledger::{Fact, FactBody, standing};
use crate::port::{Bench, Destination, Fault};
use crate::value::{Blake3, Moment};
use serde::{Deserialize, Serialize};

/// Folder beside the bag that statements lie in.
pub const FOLDER: &str = "attest";

/// What a machine states about a bag.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Statement {
    /// Form of the statement.
    pub holdpoint_attest: u32,
    /// Identity of the machine.
    pub machine: String,
    /// Its product name, for people.
    pub product: String,
    /// BLAKE3 of `manifest-blake3.txt`.
    pub manifest_root: Blake3,
    /// Payload files found equal.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
    /// When.
    pub at: Moment,
}

/// Writes this machine's statement beside the bag, signed with a key made for it alone.
pub fn write(
    bench: &dyn Bench,
    beside: &dyn Destination,
    root: Blake3,
    items: u64,
    bytes: u64,
) -> Result<String, Fault> {
    let host = bench.host();
    let statement = Statement {
        holdpoint_attest: 1,
        machine: host.id.clone(),
        product: host.product,
        manifest_root: root,
        items,
        bytes,
        at: bench.clock().now(),
    };
    let mut text = serde_json::to_vec_pretty(&statement).unwrap_or_default();
    text.push(b'\n');
    let short: String = host.id.chars().take(16).collect();
    let name = format!(
        "{FOLDER}/{}.json",
        if short.is_empty() { "unnamed" } else { &short }
    );
    beside.make_folder(FOLDER)?;
    beside.write_small(&name, &text)?;
    if let Ok(signed) = crate::paper::sshsig::sign_with_new_key(&text) {
        beside.write_small(&format!("{name}.sig"), signed.armour.as_bytes())?;
        beside.write_small(
            &format!("{name}.pub"),
            format!("{}\n", signed.public_key).as_bytes(),
        )?;
    }
    Ok(name)
}

/// Whether another machine vouches for the newest bag of some destination.
pub fn by_another_machine(job: &Job<'_>, facts: &[Fact]) -> bool {
    let last_copy = standing::last_write(facts).map(|fact| fact.at);
    let roots: Vec<Blake3> = facts
        .iter()
        .filter_map(|fact| match fact.body {
            FactBody::Sealed { manifest_root, .. } => Some(manifest_root),
            _ => None,
        })
        .collect();
    let own = &job.setup.host;
    job.destinations().into_iter().flatten().any(|destination| {
        let mut names = Vec::new();
        let listed = destination.each(FOLDER, &mut |below| {
            if !below.is_folder && below.path.ends_with(".json") {
                names.push(below.path.to_owned());
            }
        });
        listed.is_ok()
            && names.iter().any(|name| {
                let Ok(Some(text)) = destination.read_small(name) else {
                    return false;
                };
                let Ok(statement) = serde_json::from_slice::<Statement>(&text) else {
                    return false;
                };
                let signed = |suffix: &str| {
                    destination
                        .read_small(&format!("{name}{suffix}"))
                        .ok()
                        .flatten()
                        .and_then(|bytes| String::from_utf8(bytes).ok())
                };
                let holds = match (signed(".sig"), signed(".pub")) {
                    (Some(armour), Some(key)) => {
                        crate::paper::sshsig::verify(&text, &armour, &key).is_ok()
                    }
                    _ => false,
                };
                holds
                    && !statement.machine.is_empty()
                    && statement.machine != *own
                    && roots.last() == Some(&statement.manifest_root)
                    && last_copy.is_none_or(|copy| statement.at > copy)
            })
    })
}
