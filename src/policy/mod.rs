//! Policies: TOML text in, rules out.
