//! A first rig file from ten answers: commented, with every assumption marked, and loadable as it stands.

mod answers;
mod write;

pub use answers::{AnswerError, InitAnswers, Question};

/// A commented rig file from answers; whatever was not answered is assumed and marked `# assumed`.
///
/// The text loads without problems for every set of answers that [`InitAnswers::set`] accepts.
pub fn init(answers: &InitAnswers) -> String {
    write::rig_file(&answers.figures())
}
