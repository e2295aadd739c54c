//! What each route does, one file a subject.

pub mod books;
pub mod enrol;
pub mod exchange;
pub mod meta;
pub mod photos;
pub mod register;
pub mod rescue;
pub mod token;
pub mod uploads;
