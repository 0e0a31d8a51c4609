//! `policy`: what is shipped, what a policy demands, whether a file is sound.

use crate::policy::{Policy, PolicyFault};
use crate::port::{Bench, FaultKind};
use crate::step::outcome::{Outcome, PoliciesListed, PolicyExplained, PolicyLine, Problem};
use crate::step::request::PolicyRequest;
use std::path::Path;

fn line(policy: &Policy) -> PolicyLine {
    PolicyLine {
        name: policy.name.clone(),
        says: policy.says.clone(),
        blake3: policy.hash(),
    }
}

fn failed(e: PolicyFault, on: &str) -> Problem {
    Problem::failed(
        e.to_string(),
        on,
        "correct the policy, then:\nholdpoint policy check FILE",
    )
}

/// The policies that are shipped.
pub fn list() -> Result<Outcome<PoliciesListed>, Problem> {
    let policies = Policy::names()
        .map(|name| Policy::builtin(name).map(|policy| line(&policy)))
        .collect::<Result<_, _>>()
        .map_err(|e| failed(e, ""))?;
    Ok(Outcome::alone(PoliciesListed { policies }))
}

/// One policy, explained or checked.
pub fn explain(
    bench: &dyn Bench,
    request: &PolicyRequest,
) -> Result<Outcome<PolicyExplained>, Problem> {
    let policy = match request {
        PolicyRequest::Explain(name) => match Policy::builtin(&name.to_string_lossy()) {
            Ok(policy) => policy,
            Err(e) => match bench.read_file(Path::new(name)) {
                Err(fault) if fault.kind == FaultKind::Missing => {
                    let names: Vec<&str> = Policy::names().collect();
                    return Err(Problem::failed(
                        e.to_string(),
                        name.to_string_lossy(),
                        format!(
                            "name a file, or one of those that are shipped: {}",
                            names.join(", ")
                        ),
                    ));
                }
                _ => read(bench, Path::new(name))?,
            },
        },
        PolicyRequest::Check(path) => read(bench, path)?,
    };
    let result = PolicyExplained {
        policy: line(&policy),
        demands: policy.explain(),
    };
    Ok(Outcome::alone(result))
}

fn read(bench: &dyn Bench, path: &Path) -> Result<Policy, Problem> {
    let shown = path.display().to_string();
    let bytes = bench.read_file(path).map_err(|fault| {
        crate::job::fault_problem(&fault, "name a policy file that can be read").on_path(path)
    })?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Problem::failed(
            "the policy is no UTF-8 text",
            shown.clone(),
            "save it as UTF-8",
        )
    })?;
    Policy::of_a_shop(&shown, &text, crate::judge::point::ORDER).map_err(|e| failed(e, &shown))
}
