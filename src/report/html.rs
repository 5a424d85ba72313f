//! A [`Document`] as one self-contained HTML page: no script, no outside request, readable on a phone and on paper.

use super::chart::escape;
use super::document::{Document, Piece, Section, Table};
use std::fmt::Write;

const STYLE: &str = "
:root{color-scheme:light}
body{font:16px/1.5 system-ui,sans-serif;color:#1a1a1a;background:#fff;margin:0 auto;padding:1rem;max-width:60rem}
h1{font-size:1.6rem;margin:.2rem 0}h2{font-size:1.2rem;margin:2rem 0 .5rem;border-bottom:2px solid #ddd}
.marks span{display:inline-block;border:2px solid #1a1a1a;padding:0 .5rem;margin-right:.5rem;font-weight:600}
.caution{border-left:.4rem solid #d55e00;background:#fff6ee;padding:.4rem .8rem;margin:.5rem 0}
.scroll{overflow-x:auto}table{border-collapse:collapse;margin:.5rem 0;font-variant-numeric:tabular-nums}
th,td{padding:.25rem .7rem;border-bottom:1px solid #ddd;text-align:right;white-space:nowrap}
th:first-child,td:first-child{text-align:left}thead th{border-bottom:2px solid #888}
figure{margin:1rem 0}svg{width:100%;height:auto}figcaption{font-size:.9rem;color:#444}
pre{white-space:pre-wrap;overflow-wrap:anywhere;font-size:.8rem;background:#f6f6f6;padding:.5rem}
@media print{body{max-width:none;padding:0;font-size:11pt}figure,table,.caution{break-inside:avoid}h2{break-after:avoid}}
@page{margin:15mm}
";

/// The page.
pub fn page(document: &Document) -> String {
    let title = escape(&document.title);
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <title>{title}</title><style>{STYLE}</style></head><body><main>\n<h1>{title}</h1>\n"
    );
    if !document.marks.is_empty() {
        out.push_str("<p class=\"marks\">");
        for mark in &document.marks {
            push(&mut out, format_args!("<span>{}</span>", escape(mark)));
        }
        out.push_str("</p>\n");
    }
    for section in &document.sections {
        push_section(&mut out, section);
    }
    out.push_str("</main></body></html>\n");
    out
}

/// Writing to a `String` cannot fail.
fn push(out: &mut String, text: std::fmt::Arguments<'_>) {
    let _ = out.write_fmt(text);
}

fn push_section(out: &mut String, section: &Section) {
    push(out, format_args!("<section><h2>{}</h2>\n", escape(&section.heading)));
    for piece in &section.pieces {
        push_piece(out, piece);
    }
    out.push_str("</section>\n");
}

fn push_piece(out: &mut String, piece: &Piece) {
    match piece {
        Piece::Text(text) => push(out, format_args!("<p>{}</p>\n", escape(text))),
        Piece::Caution { word, text } => {
            push(out, format_args!("<p class=\"caution\"><strong>{}</strong> {}</p>\n", escape(word), escape(text)))
        }
        Piece::Points(points) => {
            out.push_str("<ul>");
            for point in points {
                push(out, format_args!("<li>{}</li>", escape(point)));
            }
            out.push_str("</ul>\n");
        }
        Piece::Table(table) => push_table(out, table),
        Piece::Figure { svg, caption, .. } => {
            push(out, format_args!("<figure>{svg}<figcaption>{}</figcaption></figure>\n", escape(caption)));
        }
        Piece::Verbatim(text) => push(out, format_args!("<pre>{}</pre>\n", escape(text))),
    }
}

fn push_table(out: &mut String, table: &Table) {
    out.push_str("<div class=\"scroll\"><table><thead><tr>");
    for head in &table.head {
        push(out, format_args!("<th scope=\"col\">{}</th>", escape(head)));
    }
    out.push_str("</tr></thead><tbody>\n");
    for row in &table.rows {
        out.push_str("<tr>");
        for (column, cell) in row.iter().enumerate() {
            let text = escape(cell);
            if column == 0 {
                push(out, format_args!("<th scope=\"row\">{text}</th>"));
            } else {
                push(out, format_args!("<td>{text}</td>"));
            }
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accepts_hostile_text_and_asks_for_nothing_outside() {
        let evil = "<script src=\"http://example.test/x.js\"></script>".to_owned();
        let document = Document {
            title: evil.clone(),
            marks: vec![evil.clone()],
            sections: vec![Section {
                heading: evil.clone(),
                pieces: vec![
                    Piece::Text(evil.clone()),
                    Piece::Caution { word: "WARNING".into(), text: evil.clone() },
                    Piece::Points(vec![evil.clone()]),
                    Piece::Table(Table { head: vec![evil.clone()], rows: vec![vec![evil.clone(), evil.clone()]] }),
                    Piece::Verbatim(evil),
                ],
            }],
        };
        let html = page(&document);
        assert!(!html.contains("<script"), "{html}");
        assert!(!html.contains("src=\"http"), "{html}");
        assert_eq!(html.matches("&lt;script").count(), 11, "{html}");
    }
}
