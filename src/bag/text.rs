//! Text
