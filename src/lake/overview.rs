//! Questions over whole tables that need a column or two: asked of polars, lazily, on the pinned files.
//!
//! Only lakes in a folder are asked this way; an object store in memory (tests) is read by the rows.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::{
    DataFrame, DataType, IntoLazy, LazyFrame, PlRefPath, PolarsResult, ScanArgsParquet, col, len,
};

use super::error::LakeError;
use super::schema::Table;
use super::snapshot::{PartFile, Snapshot};
use super::store::Place;

/// Pairs of vehicle and recipe.
pub(crate) type Recipes = BTreeSet<(String, String)>;

impl Snapshot {
    /// Vehicles and recipes of the trips in each file.
    pub fn recipes(&self) -> Result<Vec<(PartFile, Recipes)>, LakeError> {
        self.files(Table::Trips)
            .iter()
            .map(|file| Ok((file.clone(), self.file_recipes(file)?)))
            .collect()
    }

    fn file_recipes(&self, file: &PartFile) -> Result<Recipes, LakeError> {
        let Some(scan) = self.scan(Table::Trips, std::slice::from_ref(file)) else {
            let trips = self.trips_in(std::slice::from_ref(file))?;
            return Ok(trips.into_iter().map(|t| (t.vehicle, t.recipe)).collect());
        };
        let name = |e| LakeError::damaged(format!("trips/{}", file.path), e);
        let distinct = scan
            .and_then(|s| {
                s.select([
                    col("vehicle").cast(DataType::String),
                    col("recipe").cast(DataType::String),
                ])
                .group_by([col("vehicle"), col("recipe")])
                .agg([len().alias("trips")])
                .collect()
            })
            .map_err(name)?;
        let (vehicles, recipes) =
            (texts(&distinct, "vehicle").map_err(name)?, texts(&distinct, "recipe").map_err(name)?);
        Ok(vehicles.into_iter().zip(recipes).collect())
    }

    /// Rejected rows in the lake by reason code.
    pub fn rejects_by_reason(&self) -> Result<BTreeMap<String, u64>, LakeError> {
        let Some(scan) = self.scan(Table::Rejects, self.files(Table::Rejects)) else {
            let mut counts = BTreeMap::new();
            for r in self.rejects()? {
                *counts.entry(r.code).or_default() += 1;
            }
            return Ok(counts);
        };
        let name = |e| LakeError::damaged("rejects".to_owned(), e);
        let counted = scan
            .and_then(|s| {
                s.select([col("code").cast(DataType::String)])
                    .group_by([col("code")])
                    .agg([len().cast(DataType::Int64).alias("rows")])
                    .collect()
            })
            .map_err(name)?;
        let codes = texts(&counted, "code").map_err(name)?;
        let rows = counted.column("rows").and_then(|c| c.i64().cloned()).map_err(name)?;
        let rows = rows.iter().map(|n| n.and_then(|n| u64::try_from(n).ok()).unwrap_or(0));
        Ok(codes.into_iter().zip(rows).collect())
    }

    /// A lazy frame over files of a table; `None` if the lake is no folder.
    fn scan(&self, table: Table, files: &[PartFile]) -> Option<PolarsResult<LazyFrame>> {
        let Place::Folder(root) = &self.store.place else { return None };
        if files.is_empty() {
            return Some(Ok(DataFrame::empty_with_schema(&table_texts(table)).lazy()));
        }
        let paths: Vec<PlRefPath> = files
            .iter()
            .map(|f| PlRefPath::new(root.join(table.as_str()).join(&f.path).to_string_lossy()))
            .collect();
        let args =
            ScanArgsParquet { glob: false, allow_missing_columns: true, ..Default::default() };
        Some(LazyFrame::scan_parquet_files(paths.into(), args))
    }
}

/// Schema of an empty table, as far as it is asked for here.
fn table_texts(table: Table) -> polars::prelude::Schema {
    let columns: &[&str] = if table == Table::Trips { &["vehicle", "recipe"] } else { &["code"] };
    columns.iter().map(|c| ((*c).into(), DataType::String)).collect()
}

fn texts(frame: &DataFrame, column: &str) -> PolarsResult<Vec<String>> {
    let texts = frame.column(column)?.str()?.clone();
    Ok(texts.iter().map(|t| t.unwrap_or_default().to_owned()).collect())
}
