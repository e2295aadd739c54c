//! The office desk and the client portal over HTTP: the shipped server, real forms, no scripts.

mod bucket;
#[path = "../support/camera.rs"]
mod camera;
mod commands;
mod erased;
mod eyes;
mod hostile;
mod imports;
mod labels;
mod outside;
mod pages;
mod photos;
mod portal;
mod settle;
mod setup;
mod sign_in;
mod site;
#[allow(dead_code, reason = "the other program has more to do with it")]
#[path = "../objects/store.rs"]
mod store;
mod streams;
mod yard_forms;
