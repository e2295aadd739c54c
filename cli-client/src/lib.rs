//! What the `bolebook` command reads of what people type and of files they bring, apart from the
//! command itself: figures with their units ([`figures`]) and stands of trees ([`stand_file`]).

pub mod fault;
pub mod figures;
pub mod stand_file;
