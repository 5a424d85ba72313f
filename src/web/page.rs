//! The page's own files, in the program itself: no build step, no request to anywhere else.

use super::routes::Context;
use axum::Router;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use std::borrow::Cow;

/// A page may load and reach what this daemon serves, and nothing else.
const CONTENT_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
                              img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

/// Path, type, text.
const FILES: &[(&str, &str, &str)] = &[
    ("/", HTML, include_str!("page/hall.html")),
    ("/desk", HTML, include_str!("page/desk.html")),
    ("/page/look.css", CSS, include_str!("page/look.css")),
    ("/page/hall.js", SCRIPT, include_str!("page/hall.js")),
    ("/page/desk.js", SCRIPT, include_str!("page/desk.js")),
    ("/page/readiness.js", SCRIPT, include_str!("page/readiness.js")),
    ("/page/link.js", SCRIPT, include_str!("page/link.js")),
    ("/page/picture.js", SCRIPT, include_str!("page/picture.js")),
    ("/page/words.js", SCRIPT, include_str!("page/words.js")),
    ("/page/chart.js", SCRIPT, include_str!("page/chart.js")),
    ("/page/starters.js", SCRIPT, include_str!("page/starters.js")),
    ("/page/elevation.js", SCRIPT, include_str!("page/elevation.js")),
    ("/page/common.js", SCRIPT, include_str!("page/common.js")),
];

/// The page's routes.
pub(super) fn router() -> Router<Context> {
    let route = |path: &'static str, kind, text| get(move || async move { file(kind, current(path, text)) });
    FILES.iter().fold(Router::new(), |all, (path, kind, text)| all.route(path, route(path, kind, text)))
}

/// Where the page is being written its files may be read anew for every request: `RAMPRIG_PAGE=src/web/page`. Not in a
/// release.
fn current(path: &str, text: &'static str) -> Cow<'static, str> {
    let folder = std::env::var_os("RAMPRIG_PAGE").filter(|_| cfg!(debug_assertions));
    let name = match path {
        "/" => "hall.html",
        "/desk" => "desk.html",
        other => other.trim_start_matches("/page/"),
    };
    let read = folder.and_then(|folder| std::fs::read_to_string(std::path::Path::new(&folder).join(name)).ok());
    read.map_or(Cow::Borrowed(text), Cow::Owned)
}

/// Is this one of the page's own files? They say nothing of the rig, so they need no token.
pub(super) fn serves(path: &str) -> bool {
    FILES.iter().any(|(known, _, _)| *known == path)
}

fn file(kind: &'static str, text: Cow<'static, str>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CONTENT_SECURITY_POLICY, CONTENT_POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-cache"),
    ];
    (headers, text).into_response()
}
