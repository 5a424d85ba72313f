//! The keys, and what this program is not.

use super::super::desk::Desk;
use super::super::words::wrapped;
use super::{hanging, heading};
use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line;
use ratatui::widgets::Paragraph;

const KEYS: [&str; 12] = [
    "s        stop the motor, on every screen, for everybody; twice: hurry",
    "1 2 3 4  what a start needs; the run; results; the log",
    "arrows   choose sequence and starter (1), the channel (2); move a text",
    "t, b     take the controls in your name (watch --name NAME); give them back",
    "g        start the chosen sequence through the chosen starter",
    "c        confirm what was done at the rig; go on after a question",
    "k        pass over a step that may be passed over",
    "n        write down a guess of those who watch, as a number",
    "u        bar and m, or psi and ft",
    "q        leave: nothing is stopped by it, but a run that you started",
    "         here hangs on this terminal and ends without it",
    "",
];
const CAUTION: &str = "This is not the emergency stop: that is the hardwired one at the rig. `stop confirmed` says that the motor was seen \
                       to stop, nothing more; work on the machine needs isolation and lock-out by a person. Start and confirm never answer to \
                       Space, Enter, arrows or page keys.";

pub(super) fn draw(desk: &Desk, frame: &mut Frame<'_>, area: Rect) {
    let width = usize::from(area.width);
    let mut lines = vec![heading("Keys")];
    lines.extend(
        KEYS.iter()
            .flat_map(|key| match key.split_at_checked(9) {
                Some((sign, text)) => hanging(sign, text, width),
                None => vec![(*key).to_owned()],
            })
            .map(Line::raw),
    );
    lines.extend(wrapped(CAUTION, width).into_iter().map(Line::raw));
    let from = desk.scroll.min(lines.len().saturating_sub(usize::from(area.height)));
    frame.render_widget(Paragraph::new(lines.split_off(from)), area);
}
