//! What a key means. Nothing that moves the plant answers to Space, Enter, arrows or page keys, which a clicker has; the stop
//! key means stop whatever is shown or typed.

use super::desk::Shown;
use crossterm::event::{KeyCode, KeyModifiers};

/// What a key means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// Stop the motor.
    Stop,
    /// Take the controls.
    Take,
    /// Give them back.
    Give,
    /// Start what is chosen.
    Start,
    /// Confirm, or go on after a question to those who watch.
    Confirm,
    /// Pass over the step.
    Skip,
    /// Begin or end typing a guess.
    Number,
    /// A sign of the guess.
    Typed(char),
    /// Take back the last sign.
    Erase,
    /// End typing: write it down.
    Enter,
    /// End typing: drop it.
    Drop,
    /// Go to a screen.
    Show(Shown),
    /// Move within the screen: across, along.
    Move(isize, isize),
    /// Move a long text by so many lines.
    Turn(isize),
    /// The other units.
    Units,
    /// Leave; nothing is stopped by it.
    Leave,
}

/// Lines of a page key.
const PAGE: isize = 8;

/// The meaning of a key, while a guess is being typed or not.
pub fn meaning(code: KeyCode, modifiers: KeyModifiers, typing: bool) -> Option<Key> {
    if modifiers.intersects(KeyModifiers::CONTROL | KeyModifiers::ALT) {
        return (code == KeyCode::Char('c') && modifiers == KeyModifiers::CONTROL).then_some(Key::Leave);
    }
    match code {
        KeyCode::Char('s' | 'S') => Some(Key::Stop),
        KeyCode::Char(sign @ ('0'..='9' | '.' | ',' | '-')) if typing => Some(Key::Typed(sign)),
        KeyCode::Backspace if typing => Some(Key::Erase),
        KeyCode::Enter if typing => Some(Key::Enter),
        KeyCode::Esc if typing => Some(Key::Drop),
        KeyCode::Char(letter) => by_letter(letter.to_ascii_lowercase()),
        KeyCode::Left => Some(Key::Move(-1, 0)),
        KeyCode::Right => Some(Key::Move(1, 0)),
        KeyCode::Up => Some(Key::Move(0, -1)),
        KeyCode::Down => Some(Key::Move(0, 1)),
        KeyCode::PageUp => Some(Key::Turn(-PAGE)),
        KeyCode::PageDown => Some(Key::Turn(PAGE)),
        _ => None,
    }
}

fn by_letter(letter: char) -> Option<Key> {
    Some(match letter {
        't' => Key::Take,
        'b' => Key::Give,
        'g' => Key::Start,
        'c' => Key::Confirm,
        'k' => Key::Skip,
        'n' => Key::Number,
        'u' => Key::Units,
        'q' => Key::Leave,
        _ => return Shown::ALL.into_iter().find(|shown| shown.label().0 == letter).map(Key::Show),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rejects_a_clickers_keys_for_everything_that_moves_the_plant() {
        let moves = [Key::Start, Key::Confirm, Key::Skip, Key::Take, Key::Give, Key::Stop];
        let clicker = [
            KeyCode::Char(' '),
            KeyCode::Enter,
            KeyCode::Left,
            KeyCode::Right,
            KeyCode::Up,
            KeyCode::Down,
            KeyCode::PageUp,
            KeyCode::PageDown,
            KeyCode::F(5),
            KeyCode::Esc,
            KeyCode::Char('.'),
        ];
        for code in clicker {
            for typing in [false, true] {
                let means = meaning(code, KeyModifiers::NONE, typing);
                assert!(means.is_none_or(|key| !moves.contains(&key)), "{code:?} means {means:?}");
            }
        }
    }

    #[test]
    fn stops_by_its_key_whatever_is_typed() {
        for typing in [false, true] {
            for (letter, modifiers) in [('s', KeyModifiers::NONE), ('S', KeyModifiers::SHIFT)] {
                assert_eq!(meaning(KeyCode::Char(letter), modifiers, typing), Some(Key::Stop));
            }
        }
    }
}
