//! Why a verb ended without its result, with the exit code to give.

use super::exit::Exit;

/// A failure with its code.
#[derive(Debug)]
pub struct Failure {
    /// Code.
    pub exit: Exit,
    /// What happened, printed once.
    pub cause: anyhow::Error,
}

impl Failure {
    /// Usage or configuration.
    pub fn configuration(text: impl Into<String>) -> Self {
        Self { exit: Exit::Configuration, cause: anyhow::anyhow!(text.into()) }
    }

    /// A fault of this program or of this computer.
    pub fn internal(cause: impl Into<anyhow::Error>) -> Self {
        Self { exit: Exit::Internal, cause: cause.into() }
    }

    /// Something of this computer or of the wires refused before anything moved.
    pub fn refused(cause: impl Into<anyhow::Error>) -> Self {
        Self { exit: Exit::Configuration, cause: cause.into() }
    }
}
