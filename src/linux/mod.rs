//! The real world: files, devices, mounts, clock.
