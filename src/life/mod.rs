//! The simulator: virtual drives, destinations, memory and clock.
