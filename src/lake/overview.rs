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

/// Column of a scan that names the file of a row; no table has a column of that name.
const FILE: &str = "_file";

/// Pairs of vehicle and recipe.
pub(crate) type Recipes = BTreeSet<(String, String)>;

impl Snapshot {
    /// Vehicles and recipes of the trips in each file. One question for all files: a thousand nights leave thousands.
    pub fn recipes(&self) -> Result<Vec<(PartFile, Recipes)>, LakeError> {
        let files = self.files(Table::Trips);
        let Some(scan) = self.scan(Table::Trips, files) else {
            let of = |file: &PartFile| -> Result<_, LakeError> {
                let trips = self.trips_in(std::slice::from_ref(file))?;
                let made = trips.into_iter().map(|t| (t.vehicle, t.recipe)).collect();
                Ok((file.clone(), made))
            };
            return files.iter().map(of).collect();
        };
        let name = |e| LakeError::damaged("trips".to_owned(), e);
        let text = |column| col(column).cast(DataType::String);
        let distinct = scan
            .and_then(|s| {
                s.select([text(FILE), text("vehicle"), text("recipe")])
                    .group_by([col(FILE), col("vehicle"), col("recipe")])
                    .agg([len().alias("trips")])
                    .collect()
            })
            .map_err(name)?;
        let [paths, vehicles, recipes] =
            [FILE, "vehicle", "recipe"].map(|column| texts(&distinct, column).map_err(name));
        let mut made: BTreeMap<String, Recipes> = BTreeMap::new();
        for (path, pair) in paths?.into_iter().zip(vehicles?.into_iter().zip(recipes?)) {
            // Only the name of a part is asked for: how polars writes the folders before it does not matter.
            let file = path.rsplit(['/', '\\']).next().unwrap_or_default();
            made.entry(file.to_owned()).or_default().insert(pair);
        }
        Ok(files.iter().map(|f| (f.clone(), made.remove(&f.path).unwrap_or_default())).collect())
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
        let args = ScanArgsParquet {
            glob: false,
            allow_missing_columns: true,
            include_file_paths: Some(FILE.into()),
            ..Default::default()
        };
        Some(LazyFrame::scan_parquet_files(paths.into(), args))
    }
}

/// Schema of an empty table, as far as it is asked for here.
fn table_texts(table: Table) -> polars::prelude::Schema {
    let columns: &[&str] =
        if table == Table::Trips { &[FILE, "vehicle", "recipe"] } else { &["code"] };
    columns.iter().map(|c| ((*c).into(), DataType::String)).collect()
}

fn texts(frame: &DataFrame, column: &str) -> PolarsResult<Vec<String>> {
    let texts = frame.column(column)?.str()?.clone();
    Ok(texts.iter().map(|t| t.unwrap_or_default().to_owned()).collect())
}
