//! The loop between a real terminal and the service.

use super::picture::Picture;
use super::screen::draw;
use crate::api::{Service, ServiceError, Update};
use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;

/// Redraw at most this often, and at least this often.
const FRAME: Duration = Duration::from_millis(50);
/// Wait before asking a lost daemon again.
const RETRY: Duration = Duration::from_millis(500);
/// Key presses queued.
const KEYS_KEPT: usize = 32;

/// Why the terminal face ended badly.
#[derive(Debug, thiserror::Error)]
pub enum TuiError {
    /// The terminal.
    #[error("terminal: {0}")]
    Terminal(#[from] std::io::Error),
    /// The service.
    #[error(transparent)]
    Service(#[from] ServiceError),
}

/// Restores the terminal however the screen is left, a panic included.
struct Screen(ratatui::DefaultTerminal);

impl Drop for Screen {
    fn drop(&mut self) {
        ratatui::restore();
    }
}

/// Ends the thread that reads the keys, however the screen is left.
struct Listening(Arc<AtomicBool>);

impl Drop for Listening {
    fn drop(&mut self) {
        self.0.store(false, Ordering::Relaxed);
    }
}

/// Show the rig until the person leaves. Leaving does not stop the plant. `name` is who confirms.
pub async fn watch(service: Arc<dyn Service>, name: Option<String>) -> Result<(), TuiError> {
    let mut updates = service.subscribe().await?;
    let mut screen = Screen(ratatui::try_init()?);
    let (mut keys, _listening) = key_presses()?;
    let mut picture = Picture::default();
    let mut ticks = tokio::time::interval(FRAME);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    loop {
        tokio::select! {
            update = updates.recv() => match update {
                Some(update) => picture.apply(update),
                None => updates = reconnect(service.as_ref(), &mut picture).await,
            },
            key = keys.recv() => match key {
                Some(Key::Leave) | None => break,
                Some(key) => press(key, &mut picture, service.as_ref(), name.as_deref()).await,
            },
            _ = ticks.tick() => { screen.0.draw(|frame| draw(&picture, frame))?; }
        }
    }
    Ok(())
}

async fn reconnect(service: &dyn Service, picture: &mut Picture) -> mpsc::Receiver<Update> {
    match service.subscribe().await {
        Ok(updates) => updates,
        Err(error) => {
            picture.lost = Some(error.to_string());
            tokio::time::sleep(RETRY).await;
            mpsc::channel(1).1
        }
    }
}

/// What a key means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Key {
    Stop,
    Confirm,
    Channel(usize),
    Leave,
}

async fn press(key: Key, picture: &mut Picture, service: &dyn Service, name: Option<&str>) {
    let notice = match key {
        Key::Stop => match service.stop(name.unwrap_or("watch").to_owned()).await {
            Ok(report) => report.text,
            Err(error) => format!("stop not sent: {error}; use the emergency stop"),
        },
        Key::Confirm => confirm(picture, service, name).await,
        Key::Channel(index) => {
            picture.choose(index);
            return;
        }
        Key::Leave => return,
    };
    picture.notice = Some(notice);
}

async fn confirm(picture: &Picture, service: &dyn Service, name: Option<&str>) -> String {
    let Some((id, _)) = picture.snapshot.as_ref().and_then(|s| s.run.as_ref()?.question.clone()) else {
        return "nothing waits for a confirmation".to_owned();
    };
    let Some(name) = name else {
        return "a confirmation needs a name; try: ramprig watch --name NAME".to_owned();
    };
    match service.confirm(id, name.to_owned()).await {
        Ok(()) => format!("confirmed by {name}"),
        Err(error) => error.to_string(),
    }
}

fn meaning(code: KeyCode, modifiers: KeyModifiers) -> Option<Key> {
    match code {
        KeyCode::Char('c') if modifiers.contains(KeyModifiers::CONTROL) => Some(Key::Leave),
        KeyCode::Char('s' | 'S') => Some(Key::Stop),
        KeyCode::Char('c' | 'C') => Some(Key::Confirm),
        KeyCode::Char('q' | 'Q') => Some(Key::Leave),
        KeyCode::Char(digit @ '1'..='9') => Some(Key::Channel(digit as usize - '1' as usize)),
        _ => None,
    }
}

/// A thread of its own reads the terminal, since that read cannot be waited for together with sockets.
fn key_presses() -> std::io::Result<(mpsc::Receiver<Key>, Listening)> {
    let (sender, receiver) = mpsc::channel(KEYS_KEPT);
    let listening = Arc::new(AtomicBool::new(true));
    let still = Arc::clone(&listening);
    std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        while still.load(Ordering::Relaxed) {
            match crossterm::event::poll(FRAME) {
                Ok(true) => {}
                Ok(false) => continue,
                Err(_) => return,
            }
            let Ok(Event::Key(key)) = crossterm::event::read() else { continue };
            if key.kind != KeyEventKind::Press {
                continue;
            }
            if let Some(key) = meaning(key.code, key.modifiers)
                && sender.blocking_send(key).is_err()
            {
                return;
            }
        }
    })?;
    Ok((receiver, Listening(listening)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rejects_presentation_clicker_keys_for_confirming_and_starting() {
        for code in
            [KeyCode::Char(' '), KeyCode::Enter, KeyCode::Left, KeyCode::Right, KeyCode::PageUp, KeyCode::PageDown]
        {
            assert_eq!(meaning(code, KeyModifiers::NONE), None, "{code:?}");
        }
        assert_eq!(meaning(KeyCode::Char('s'), KeyModifiers::NONE), Some(Key::Stop));
    }
}
