//! What evenings cost, and what follows for many crews: crews with their days, the shipped server in a
//! process of its own and the way to it, for benchmarks; and a model of a season with a simulation beside
//! it (docs/scale.md). For tests and benchmarks only: whatever cannot happen there panics.
//!
//! [`measured`] holds what was measured, [`habits`] what is assumed of crews; [`model`] works out from both
//! what a season takes, [`season`] plays it; [`queue`] has the lines before servers and what theory says of
//! them; [`page`] writes what docs/scale.md shows.

pub mod crews;
pub mod draw;
pub mod habits;
pub mod measured;
pub mod model;
pub mod page;
pub mod process;
pub mod queue;
pub mod season;
pub mod server;
