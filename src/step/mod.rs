//! The steps of a job, one file each, and what several of them need.
//!
//! Invariant: a step acts only through the ports; what it tells has been committed.

pub mod assess;
pub mod attest;
pub mod bags;
pub mod clock;
pub mod close;
pub mod copy;
pub mod doubts;
pub mod drive_points;
pub mod event;
pub mod gate;
pub mod guard;
pub mod hold;
pub mod inspect;
pub mod open;
pub mod outcome;
pub mod plan;
pub mod policies;
pub mod present;
pub mod print;
pub mod put_back;
pub mod recheck;
pub mod release;
pub mod request;
pub mod room;
pub mod running;
pub mod sample;
pub mod seal;
mod second_look;
pub mod show;
pub mod source;
pub mod state;
pub mod verify;
pub mod waive;

pub use gate::points_now;
pub use state::{counts, refer_refusal, refuse_closing, route_of, waits_for_owner};
