//! The list of what a run folder has to show, for those who come by HTTP.

use super::{PageError, render};
use crate::own::Own;
use serde::Serialize;

/// A job whose eyes can be drawn.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ServedEye {
    /// First digits of its key.
    pub key: String,
    /// Its condition.
    pub name: String,
    /// Which job of it.
    pub job: String,
}

/// What a run folder has to show.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Served {
    /// Title of the plan.
    pub title: String,
    /// A run is going on.
    pub running: bool,
    /// Pages by file name, with what each is.
    pub pages: Vec<(String, String)>,
    pub eyes: Vec<ServedEye>,
    /// Eyes not listed.
    pub more: usize,
}

#[derive(Serialize)]
struct ServedPage<'a> {
    own: Own,
    served: &'a Served,
}

/// Builds the list.
///
/// # Errors
/// [`PageError::Template`].
pub fn build_served(served: &Served) -> Result<String, PageError> {
    render("served.html", &ServedPage { own: Own::new(include_str!("style.css").into(), ""), served })
}
