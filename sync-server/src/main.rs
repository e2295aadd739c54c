//! Server.
fn main() {}
