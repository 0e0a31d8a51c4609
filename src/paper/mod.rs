//! Papers and the release certificate.
