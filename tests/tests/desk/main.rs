//! The office desk and the client portal over HTTP: the shipped server, real forms, no scripts.

mod commands;
mod erased;
mod outside;
mod pages;
mod portal;
mod settle;
mod sign_in;
mod site;
