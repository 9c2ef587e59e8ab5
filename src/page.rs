//! A page and its pictures as files: where they go, and how a person and a program are told.

use std::path::{Path, PathBuf};

use slipwright_analysis::chart::raster;
use slipwright_analysis::report::page_charts::page_charts;

use crate::failure::Failure;
use crate::output::{make_folder, write_whole};

/// Where a page goes, and its pictures if they are wanted.
#[derive(Clone, Debug)]
pub(crate) struct PageFiles {
    page: PathBuf,
    pictures: Option<PathBuf>,
}

impl PageFiles {
    /// The page at this path, with its pictures in a folder beside it.
    pub(crate) fn at(page: PathBuf, with_pictures: bool) -> Self {
        let pictures = with_pictures.then(|| page.with_file_name("pictures"));
        Self { page, pictures }
    }

    /// The page's path as said to people and programs.
    pub(crate) fn page(&self) -> String {
        self.page.display().to_string()
    }

    /// The same of the folder of pictures.
    pub(crate) fn pictures(&self) -> Option<String> {
        self.pictures.as_ref().map(|p| p.display().to_string())
    }

    /// Both, a line each, under what a command prints.
    pub(crate) fn text(&self) -> String {
        let mut text = format!("\nreport: {}\n", self.page());
        if let Some(pictures) = self.pictures() {
            text.push_str(&format!("pictures: {pictures}\n"));
        }
        text
    }

    /// Writes every picture, then the page. A picture of the same name is replaced; other files in
    /// the folder stay.
    pub(crate) fn write(&self, html: &str) -> Result<(), Failure> {
        if let Some(folder) = &self.pictures {
            write_pictures(folder, html)?;
        }
        write_whole(&self.page, html.as_bytes())
    }
}

fn write_pictures(folder: &Path, html: &str) -> Result<(), Failure> {
    make_folder(folder)?;
    for chart in page_charts(html) {
        let png = raster::png(chart.svg).map_err(|e| Failure::Internal(e.to_string()))?;
        write_whole(&folder.join(format!("{}.png", chart.name)), &png)?;
    }
    Ok(())
}

/// When a page is made, as it shall read.
pub(crate) fn made_now() -> String {
    jiff::Timestamp::now()
        .strftime("%Y-%m-%d %H:%M UTC")
        .to_string()
}
