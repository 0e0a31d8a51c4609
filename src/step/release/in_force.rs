//! The release in force when somebody asks again, and the shop's key that may sign it.
//!
//! Invariant: a certificate is signed as it was issued; nothing about it, its end included, is moved without the gate.

use super::write;
use crate::job::{Job, fault_problem};
use crate::ledger::{Fact, FactBody, standing};
use crate::paper::{certificate, sshsig};
use crate::port::Destination;
use crate::step::event::{Event, Tell};
use crate::step::outcome::{Outcome, Problem, Released, Signature, State};
use crate::step::request::ReleaseRequest;
use crate::value::Blake3;
use std::path::Path;

/// The key of the shop, tried before anything depends on it.
pub(super) struct Shop<'a> {
    key: Option<(&'a Path, Vec<u8>)>,
    passphrase: Option<&'a [u8]>,
}

impl<'a> Shop<'a> {
    pub(super) fn of(
        job: &Job<'_>,
        request: &'a ReleaseRequest,
        passphrase: Option<&'a [u8]>,
    ) -> Result<Self, Problem> {
        let key = match &request.key {
            None => None,
            Some(path) => {
                let read = job.bench.read_file(path).map_err(|fault| {
                    fault_problem(&fault, "name a file that holds an OpenSSH private key")
                        .on_path(path)
                });
                Some((path.as_path(), read?))
            }
        };
        let shop = Self { key, passphrase };
        shop.sign(b"a key that can sign")?;
        Ok(shop)
    }

    /// Signs, where there is a key.
    pub(super) fn sign(&self, bytes: &[u8]) -> Result<Option<sshsig::Signed>, Problem> {
        let Some((path, key)) = &self.key else {
            return Ok(None);
        };
        let signed = sshsig::sign(bytes, key, self.passphrase);
        signed.map(Some).map_err(|e| Problem::failed(e.to_string(), path.display().to_string(), "use an ed25519 key (ssh-keygen -t ed25519), or release without --key as an unsigned record"))
    }
}

/// The release in force, and its certificate as it lies beside the bags.
pub(super) struct Standing {
    issued: standing::Issued,
    root: Option<Blake3>,
    certificate: Vec<u8>,
    looked_into: Option<bool>,
}

impl Standing {
    pub(super) fn of(job: &Job<'_>, facts: &[Fact]) -> Option<Self> {
        if crate::step::show::state(job, facts).0 != State::Released {
            return None;
        }
        let issued = standing::issued(facts)?;
        let root = match standing::released(facts)?.body {
            FactBody::Released { manifest_root, .. } => manifest_root,
            _ => return None,
        };
        let certificate = crate::step::recheck::certificate_bytes(job)?;
        let is_it = blake3::hash(&certificate).as_bytes() == &issued.certificate.0;
        is_it.then_some(Self {
            issued,
            root,
            certificate,
            looked_into: standing::looked_into(facts),
        })
    }

    /// Nothing but a second look is missing for a new one: this one stays as it is, and is signed where that is asked for.
    pub(super) fn stays(
        &self,
        job: &Job<'_>,
        request: &ReleaseRequest,
        destinations: &[Option<&dyn Destination>],
        shop: &Shop<'_>,
        tell: Tell<'_>,
    ) -> Result<Outcome<Released>, Problem> {
        let (issued, root) = (&self.issued, self.root);
        if request.second_look.is_some() || request.valid_hours.is_some() {
            tell(Event::Warn {
                says: "the second look for a new certificate is missing or does not count: the release in force stays, and ends when it says".into(),
            });
        }
        if let Some(signed) = shop.sign(&self.certificate)? {
            write(job, destinations, &self.certificate, Some(&signed))?;
            job.record(&FactBody::Released {
                certificate: issued.certificate,
                manifest_root: root,
                expires: issued.expires,
                signed: true,
            })?;
        }
        tell(Event::Finished);
        let result = Released {
            state: State::Released,
            certificate: Some(job.dir.join(certificate::PLACE).display().to_string()),
            signature: if shop.key.is_some() || issued.signed {
                Signature::Sshsig
            } else {
                Signature::None
            },
            manifest_root: root,
            until: Some(issued.expires),
            practice: job.policy.practice,
            looked_into: self.looked_into,
        };
        Ok(Outcome::done(&job.dir, result, Vec::new()))
    }
}
