//! Rows of the tables as jobs and steps, and back.

use super::column::{Count, Date, Json, Micros, Taken};
use super::job::{End, Job, JobId, JobRecord, NewJob, StepRecord};
use crate::plan::Fingerprint;
use rusqlite::{Connection, Result, Row, named_params};
use std::collections::BTreeMap;
use std::time::SystemTime;

pub(super) fn insert(connection: &Connection, new: &NewJob) -> Result<JobId> {
    let sql = "insert into jobs (begun, board, chip, command, tag, id_bytes, calibration, serial_number, bridge, holder, simulated, \
               made_by, baseline, before, inherits, images, findings, accepted, held_firmware, held_settings, leaves_firmware, \
               leaves_settings, plan, plan_steps, estimate_us) \
               values (:begun, :board, :chip, :command, :tag, :id_bytes, :calibration, :serial_number, :bridge, :holder, :simulated, \
               :made_by, :baseline, :before, :inherits, :images, :findings, :accepted, :held_firmware, :held_settings, \
               :leaves_firmware, :leaves_settings, :plan, :plan_steps, :estimate_us)";
    let (held, leaves) = (new.held.as_ref(), new.leaves.as_ref());
    connection.execute(
        sql,
        named_params! {
            ":begun": Date(new.date),
            ":board": new.board,
            ":chip": new.chip,
            ":command": new.command,
            ":tag": new.tag,
            ":id_bytes": new.id_bytes,
            ":calibration": new.calibration,
            ":serial_number": new.serial_number,
            ":bridge": new.bridge,
            ":holder": new.holder,
            ":simulated": new.simulated,
            ":made_by": new.made_by,
            ":baseline": Taken(new.baseline.clone()),
            ":before": Taken(new.before.clone()),
            ":inherits": new.inherits.map(|job| job.0),
            ":images": Json(&new.images),
            ":findings": Json(&new.findings),
            ":accepted": Json(&new.accepted),
            ":held_firmware": held.map(|print| print.firmware),
            ":held_settings": held.map(|print| print.settings),
            ":leaves_firmware": leaves.map(|print| print.firmware),
            ":leaves_settings": leaves.map(|print| print.settings),
            ":plan": Json(new.plan),
            ":plan_steps": Count(new.plan.steps().len()),
            ":estimate_us": Micros(new.plan.estimate()),
        },
    )?;
    Ok(JobId(connection.last_insert_rowid()))
}

/// Stands where a finished job has its proof. The table's checks know no other word for such a job than that of one that was closed.
const UNCHANGED: &str = "nothing was changed";

/// Marks a job as ended.
pub(super) fn end(connection: &Connection, job: JobId, date: SystemTime, how: &End) -> Result<()> {
    let (word, proof, by) = match how {
        End::Finished(proof) => ("finished", Some(proof.as_str()), None),
        End::Unchanged => ("closed", Some(UNCHANGED), None),
        End::Closed => ("closed", None, None),
        End::TakenOver(by) => ("taken over", None, Some(by.0)),
    };
    let sql = "update jobs set ended = ?2, how_ended = ?3, proof = ?4, taken_by = ?5 where id = ?1";
    connection.execute(sql, (job.0, Date(date), word, proof, by)).map(|_| ())
}

/// Which jobs are wanted.
#[derive(Clone, Copy)]
pub(super) enum Which {
    All,
    Open,
    One(JobId),
}

impl Which {
    /// The condition on a job's number in `column`. There is nothing in it that came from outside.
    fn condition(self, column: &str) -> String {
        match self {
            Which::All => "true".to_owned(),
            Which::Open => format!("{column} in (select id from jobs where ended is null)"),
            Which::One(job) => format!("{column} = {}", job.0),
        }
    }
}

/// Jobs as lists show them, oldest first.
pub(super) fn jobs(connection: &Connection, which: Which) -> Result<Vec<Job>> {
    select(connection, which, "", job)
}

/// Jobs with all that was kept of them, oldest first.
pub(super) fn records(connection: &Connection, which: Which) -> Result<Vec<JobRecord>> {
    select(connection, which, ", plan, settings, images, findings", |row, steps| {
        let settings: Option<Json<_>> = row.get("settings")?;
        Ok(JobRecord {
            job: job(row, steps)?,
            plan: row.get::<_, Json<_>>("plan")?.0,
            images: row.get::<_, Json<_>>("images")?.0,
            findings: row.get::<_, Json<_>>("findings")?.0,
            settings_verified: settings.map(|json| json.0),
        })
    })
}

fn select<T>(
    connection: &Connection,
    which: Which,
    more_columns: &str,
    read: impl Fn(&Row, Vec<StepRecord>) -> Result<T>,
) -> Result<Vec<T>> {
    // One transaction, so that steps and jobs are of one moment.
    let moment = connection.unchecked_transaction()?;
    let mut steps = steps(&moment, which)?;
    let sql = format!(
        "select id, begun, ended, how_ended, proof, taken_by, board, chip, command, tag, id_bytes, calibration, serial_number, bridge, \
         holder, simulated, made_by, baseline, before, inherits, accepted, held_firmware, held_settings, leaves_firmware, \
         leaves_settings, stopped, estimate_us, took_us, plan_steps {more_columns} from jobs where {} order by id",
        which.condition("id")
    );
    let mut statement = moment.prepare(&sql)?;
    let rows = statement.query_map([], |row| read(row, steps.remove(&row.get("id")?).unwrap_or_default()))?;
    rows.collect()
}

fn steps(connection: &Connection, which: Which) -> Result<BTreeMap<i64, Vec<StepRecord>>> {
    let sql = format!("select job, step, begun, finished, took_us from steps where {} order by job, step", which.condition("job"));
    let mut statement = connection.prepare(&sql)?;
    let mut rows = statement.query([])?;
    let mut steps: BTreeMap<i64, Vec<StepRecord>> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let finished: Option<Date> = row.get("finished")?;
        let begun: Date = row.get("begun")?;
        let Count(index) = row.get("step")?;
        let took: Option<Micros> = row.get("took_us")?;
        let step = StepRecord { index, begun: begun.0, finished: finished.map(|date| date.0), took: took.map(|took| took.0) };
        steps.entry(row.get("job")?).or_default().push(step);
    }
    Ok(steps)
}

fn job(row: &Row, steps: Vec<StepRecord>) -> Result<Job> {
    let begun: Date = row.get("begun")?;
    let time = |column: &str| row.get::<_, Option<Micros>>(column).map(|time| time.map(|time| time.0));
    Ok(Job {
        id: JobId(row.get("id")?),
        begun: begun.0,
        ended: ended(row)?,
        board: row.get("board")?,
        chip: row.get("chip")?,
        command: row.get("command")?,
        tag: row.get("tag")?,
        id_bytes: row.get("id_bytes")?,
        calibration: row.get("calibration")?,
        serial_number: row.get("serial_number")?,
        bridge: row.get("bridge")?,
        holder: row.get("holder")?,
        simulated: row.get("simulated")?,
        made_by: row.get("made_by")?,
        baseline: row.get::<_, Taken>("baseline")?.0,
        before: row.get::<_, Taken>("before")?.0,
        inherits: row.get::<_, Option<i64>>("inherits")?.map(JobId),
        accepted: row.get::<_, Json<_>>("accepted")?.0,
        held: fingerprint(row, "held")?,
        leaves: fingerprint(row, "leaves")?,
        stopped: row.get("stopped")?,
        estimate: time("estimate_us")?,
        took: time("took_us")?,
        plan_steps: row.get::<_, Count>("plan_steps")?.0,
        steps,
    })
}

fn fingerprint(row: &Row, which: &str) -> Result<Option<Fingerprint>> {
    let firmware = row.get(format!("{which}_firmware").as_str())?;
    let settings = row.get(format!("{which}_settings").as_str())?;
    Ok(Option::zip(firmware, settings).map(|(firmware, settings)| Fingerprint { firmware, settings }))
}

/// When and how a job ended. The table's checks allow no other words.
fn ended(row: &Row) -> Result<Option<(SystemTime, End)>> {
    let Some(Date(date)) = row.get("ended")? else { return Ok(None) };
    let how: String = row.get("how_ended")?;
    let proof: Option<String> = row.get("proof")?;
    let end = match how.as_str() {
        "finished" => End::Finished(proof.unwrap_or_default()),
        "closed" if proof.as_deref() == Some(UNCHANGED) => End::Unchanged,
        "closed" => End::Closed,
        _ => End::TakenOver(JobId(row.get("taken_by")?)),
    };
    Ok(Some((date, end)))
}
