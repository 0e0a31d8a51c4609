//! The folder handed over: an RFC 8493 bag of the saved items and the evidence.
