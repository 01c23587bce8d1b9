-- A ledger of schema version 1 with invented jobs, dumped with sqlite3 from what the code at commit c9a5732 (2026-11-28) wrote.
BEGIN TRANSACTION;
CREATE TABLE families (
	family TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	maker TEXT, 
	first_year INTEGER, 
	last_year INTEGER, 
	working_price INTEGER, 
	priced_on TEXT, 
	price_spread REAL, 
	notes TEXT, 
	PRIMARY KEY (family), 
	CONSTRAINT families_family_not_empty CHECK (length(family) > 0), 
	CONSTRAINT families_kind_not_empty CHECK (length(kind) > 0), 
	CONSTRAINT families_first_year_in_bounds CHECK (first_year >= 1800 AND first_year <= 2100), 
	CONSTRAINT families_last_year_in_bounds CHECK (last_year >= 1800 AND last_year <= 2100), 
	CONSTRAINT families_working_price_in_bounds CHECK (working_price >= 0), 
	CONSTRAINT families_priced_on_is_a_date CHECK ((priced_on LIKE '____-__-__' OR priced_on LIKE '____-__')), 
	CONSTRAINT families_price_spread_in_bounds CHECK (price_spread >= 0 AND price_spread <= 5), 
	CONSTRAINT families_first_year_to_last_year CHECK (first_year <= last_year), 
	CONSTRAINT families_priced_on_needs_working_price CHECK (priced_on IS NULL OR working_price IS NOT NULL), 
	CONSTRAINT families_price_spread_needs_working_price CHECK (price_spread IS NULL OR working_price IS NOT NULL)
)
 STRICT

;
INSERT INTO "families" VALUES('Tarnwick T2','tape deck','Tarnwick',1975,1984,NULL,NULL,NULL,NULL);
CREATE TABLE findings (
	job TEXT NOT NULL, 
	component TEXT NOT NULL, 
	position TEXT NOT NULL, 
	found TEXT NOT NULL, 
	original TEXT, 
	fitted_from INTEGER, 
	fitted_to INTEGER, 
	arose TEXT NOT NULL, 
	failed_from TEXT, 
	failed_to TEXT, 
	action TEXT, 
	part_cost INTEGER, 
	part_source TEXT, 
	PRIMARY KEY (job, component, position, arose), 
	CONSTRAINT findings_job_not_empty CHECK (length(job) > 0), 
	CONSTRAINT findings_component_not_empty CHECK (length(component) > 0), 
	CONSTRAINT findings_found_allowed CHECK (found IN ('sound', 'worn', 'failed')), 
	CONSTRAINT findings_original_allowed CHECK (original IN ('yes', 'no', 'unknown')), 
	CONSTRAINT findings_fitted_from_in_bounds CHECK (fitted_from >= 1800 AND fitted_from <= 2100), 
	CONSTRAINT findings_fitted_to_in_bounds CHECK (fitted_to >= 1800 AND fitted_to <= 2100), 
	CONSTRAINT findings_arose_allowed CHECK (arose IN ('as received', 'during work')), 
	CONSTRAINT findings_failed_from_is_a_date CHECK ((failed_from LIKE '____-__-__' OR failed_from LIKE '____-__')), 
	CONSTRAINT findings_failed_to_is_a_date CHECK ((failed_to LIKE '____-__-__' OR failed_to LIKE '____-__')), 
	CONSTRAINT findings_action_allowed CHECK (action IN ('none', 'serviced', 'replaced', 'rebuilt', 'no part')), 
	CONSTRAINT findings_part_cost_in_bounds CHECK (part_cost >= 0), 
	CONSTRAINT findings_part_source_allowed CHECK (part_source IN ('new', 'salvaged')), 
	CONSTRAINT findings_fitted_from_only_where_original CHECK (fitted_from IS NULL OR coalesce(original, '') IN ('no')), 
	CONSTRAINT findings_fitted_to_only_where_original CHECK (fitted_to IS NULL OR coalesce(original, '') IN ('no')), 
	CONSTRAINT findings_fitted_from_to_fitted_to CHECK (fitted_from <= fitted_to), 
	CONSTRAINT findings_arose_fixes_found CHECK (coalesce(arose, '') <> 'during work' OR coalesce(found, '') = 'failed'), 
	CONSTRAINT findings_failed_from_only_where_found CHECK (failed_from IS NULL OR coalesce(found, '') IN ('failed')), 
	CONSTRAINT findings_failed_to_only_where_found CHECK (failed_to IS NULL OR coalesce(found, '') IN ('failed')), 
	CONSTRAINT findings_failed_from_to_failed_to CHECK (substr(failed_to, 1, length(failed_from)) >= substr(failed_from, 1, length(failed_to))), 
	CONSTRAINT findings_part_cost_never_where_action CHECK (part_cost IS NULL OR coalesce(action, '') NOT IN ('none', 'no part')), 
	CONSTRAINT findings_part_source_never_where_action CHECK (part_source IS NULL OR coalesce(action, '') NOT IN ('none', 'no part')), 
	FOREIGN KEY(job) REFERENCES jobs (job)
)
 STRICT

;
INSERT INTO "findings" VALUES('1','belt','','failed',NULL,NULL,NULL,'as received',NULL,NULL,'replaced',320,NULL);
INSERT INTO "findings" VALUES('1','motor','','worn',NULL,NULL,NULL,'as received',NULL,NULL,NULL,NULL,NULL);
INSERT INTO "findings" VALUES('2','gear','','failed',NULL,NULL,NULL,'as received',NULL,NULL,NULL,NULL,NULL);
CREATE TABLE followups (
	job TEXT NOT NULL, 
	checked_on TEXT NOT NULL, 
	working TEXT NOT NULL, 
	failed_on TEXT, 
	component TEXT, 
	hours REAL, 
	cost INTEGER, 
	PRIMARY KEY (job, checked_on), 
	CONSTRAINT followups_job_not_empty CHECK (length(job) > 0), 
	CONSTRAINT followups_checked_on_is_a_date CHECK ((checked_on LIKE '____-__-__' OR checked_on LIKE '____-__')), 
	CONSTRAINT followups_working_allowed CHECK (working IN ('yes', 'no')), 
	CONSTRAINT followups_failed_on_is_a_date CHECK ((failed_on LIKE '____-__-__' OR failed_on LIKE '____-__')), 
	CONSTRAINT followups_hours_in_bounds CHECK (hours >= 0 AND hours <= 10000), 
	CONSTRAINT followups_cost_in_bounds CHECK (cost >= 0), 
	CONSTRAINT followups_failed_on_only_where_working CHECK (failed_on IS NULL OR coalesce(working, '') IN ('no')), 
	CONSTRAINT followups_component_only_where_working CHECK (component IS NULL OR coalesce(working, '') IN ('no')), 
	CONSTRAINT followups_failed_on_to_checked_on CHECK (substr(checked_on, 1, length(failed_on)) >= substr(failed_on, 1, length(checked_on))), 
	FOREIGN KEY(job) REFERENCES jobs (job)
)
 STRICT

;
INSERT INTO "followups" VALUES('1','2026-09-01','yes',NULL,NULL,NULL,NULL);
CREATE TABLE hearsay (
	family TEXT, 
	kind TEXT, 
	component TEXT, 
	age_years REAL, 
	share_failed REAL, 
	share_repaired REAL, 
	worth_jobs REAL NOT NULL, 
	told_by TEXT, 
	CONSTRAINT hearsay_age_years_in_bounds CHECK (age_years <= 200 AND age_years > 0), 
	CONSTRAINT hearsay_share_failed_in_bounds CHECK (share_failed >= 0 AND share_failed <= 1), 
	CONSTRAINT hearsay_share_repaired_in_bounds CHECK (share_repaired >= 0 AND share_repaired <= 1), 
	CONSTRAINT hearsay_worth_jobs_in_bounds CHECK (worth_jobs <= 1000000 AND worth_jobs > 0), 
	CONSTRAINT hearsay_either_family_or_kind CHECK ((family IS NULL) <> (kind IS NULL)), 
	CONSTRAINT hearsay_either_share_failed_or_share_repaired CHECK ((share_failed IS NULL) <> (share_repaired IS NULL)), 
	CONSTRAINT hearsay_component_with_share_failed CHECK ((component IS NULL) = (share_failed IS NULL)), 
	CONSTRAINT hearsay_age_years_with_share_failed CHECK ((age_years IS NULL) = (share_failed IS NULL)), 
	FOREIGN KEY(family) REFERENCES families (family)
)
 STRICT

;
INSERT INTO "hearsay" VALUES('Tarnwick T2',NULL,'gear',40.0,0.25,NULL,2.5,'Käthe');
CREATE TABLE history (
	entry INTEGER NOT NULL, 
	what TEXT NOT NULL, 
	"key" TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	written_at TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	content TEXT, 
	PRIMARY KEY (entry), 
	UNIQUE (what, "key", version), 
	CONSTRAINT history_version_in_bounds CHECK (version >= 1)
)
 STRICT

;
INSERT INTO "history" VALUES(1,'settings','hour_rate',1,'2026-05-01T13:00:00.000Z','first settings','{"setting":"hour_rate","value":"12.00"}');
INSERT INTO "history" VALUES(2,'families','Tarnwick T2',1,'2026-05-01T14:00:00.000Z','first family','{"family":"Tarnwick T2","kind":"tape deck","maker":"Tarnwick","first_year":1975,"last_year":1984}');
INSERT INTO "history" VALUES(3,'models','T2 mk II',1,'2026-05-01T15:00:00.000Z','x','{"model":"T2 mk II","family":"Tarnwick T2"}');
INSERT INTO "history" VALUES(4,'parts','["belt", null]',1,'2026-05-01T16:00:00.000Z','x','{"component":"belt","obtainable":"yes","price":"3.00","pack_size":10}');
INSERT INTO "history" VALUES(5,'hearsay','["Tarnwick T2", null, "gear", 40.0, "Käthe"]',1,'2026-05-01T17:00:00.000Z','x','{"family":"Tarnwick T2","component":"gear","age_years":40.0,"share_failed":0.25,"worth_jobs":2.5,"told_by":"Käthe"}');
INSERT INTO "history" VALUES(6,'jobs','1',1,'2026-05-01T18:00:00.000Z','taken in','{"job":{"job":"1","family":"Tarnwick T2","taken_in":"2026-05-01","outcome":"open","bought_for":"25.00"},"findings":[],"signs":[{"sign":"rust","seen":"yes"}],"followups":[]}');
INSERT INTO "history" VALUES(7,'jobs','1',2,'2026-05-01T19:00:00.000Z','added','{"job":{"job":"1","family":"Tarnwick T2","taken_in":"2026-05-01","closed":"2026-05-10","outcome":"repaired","bought_for":"25.00","sold_for":"99.90","sold_on":"2026-05-20","remarks":"=SUM(A1)\nsecond line"},"findings":[{"component":"belt","position":"","found":"failed","arose":"as received","action":"replaced","part_cost":"3.20"},{"component":"motor","position":"","found":"sound","arose":"as received"}],"signs":[{"sign":"rust","seen":"yes"}],"followups":[]}');
INSERT INTO "history" VALUES(8,'jobs','1',3,'2026-05-01T20:00:00.000Z','followed up','{"job":{"job":"1","family":"Tarnwick T2","taken_in":"2026-05-01","closed":"2026-05-10","outcome":"repaired","bought_for":"25.00","sold_for":"99.90","sold_on":"2026-05-20","remarks":"=SUM(A1)\nsecond line"},"findings":[{"component":"belt","position":"","found":"failed","arose":"as received","action":"replaced","part_cost":"3.20"},{"component":"motor","position":"","found":"sound","arose":"as received"}],"signs":[{"sign":"rust","seen":"yes"}],"followups":[{"checked_on":"2026-09-01","working":"yes"}]}');
INSERT INTO "history" VALUES(9,'jobs','1',4,'2026-05-01T21:00:00.000Z','looked again','{"job":{"job":"1","family":"Tarnwick T2","taken_in":"2026-05-01","closed":"2026-05-10","outcome":"repaired","bought_for":"25.00","sold_for":"99.90","sold_on":"2026-05-20","remarks":"=SUM(A1)\nsecond line"},"findings":[{"component":"belt","position":"","found":"failed","arose":"as received","action":"replaced","part_cost":"3.20"},{"component":"motor","position":"","found":"worn","arose":"as received"}],"signs":[{"sign":"rust","seen":"yes"}],"followups":[{"checked_on":"2026-09-01","working":"yes"}]}');
INSERT INTO "history" VALUES(10,'jobs','2',1,'2026-05-01T22:00:00.000Z','added','{"job":{"job":"2","family":"Tarnwick T2","taken_in":"2026-05-11","closed":"2026-05-12","outcome":"donor","ended_by":"gear"},"findings":[{"component":"gear","position":"","found":"failed","arose":"as received"}],"signs":[],"followups":[]}');
INSERT INTO "history" VALUES(11,'jobs','3',1,'2026-05-01T23:00:00.000Z','added','{"job":{"job":"3","family":"Tarnwick T2","taken_in":"2026-05-13","closed":"2026-05-14","outcome":"repaired"},"findings":[],"signs":[],"followups":[]}');
INSERT INTO "history" VALUES(12,'jobs','3',2,'2026-05-02T00:00:00.000Z','never was one',NULL);
INSERT INTO "history" VALUES(13,'jobs','4',1,'2026-05-02T01:00:00.000Z','taken in','{"job":{"job":"4","family":"Tarnwick T2","taken_in":"2026-06-01","outcome":"open","bought_for":"10.00"},"findings":[],"signs":[],"followups":[]}');
CREATE TABLE jobs (
	job TEXT NOT NULL, 
	family TEXT NOT NULL, 
	model TEXT, 
	lot TEXT, 
	built_from INTEGER, 
	built_to INTEGER, 
	year_basis TEXT, 
	taken_in TEXT NOT NULL, 
	closed TEXT, 
	outcome TEXT NOT NULL, 
	bought_for INTEGER, 
	hours REAL, 
	other_costs INTEGER, 
	sold_for INTEGER, 
	sold_on TEXT, 
	salvage_value INTEGER, 
	ended_by TEXT, 
	ended_why TEXT, 
	origin TEXT, 
	remarks TEXT, 
	PRIMARY KEY (job), 
	CONSTRAINT jobs_job_not_empty CHECK (length(job) > 0), 
	CONSTRAINT jobs_family_not_empty CHECK (length(family) > 0), 
	CONSTRAINT jobs_built_from_in_bounds CHECK (built_from >= 1800 AND built_from <= 2100), 
	CONSTRAINT jobs_built_to_in_bounds CHECK (built_to >= 1800 AND built_to <= 2100), 
	CONSTRAINT jobs_year_basis_allowed CHECK (year_basis IN ('nameplate', 'date code', 'serial number', 'document', 'guess')), 
	CONSTRAINT jobs_taken_in_is_a_date CHECK ((taken_in LIKE '____-__-__' OR taken_in LIKE '____-__')), 
	CONSTRAINT jobs_closed_is_a_date CHECK ((closed LIKE '____-__-__' OR closed LIKE '____-__')), 
	CONSTRAINT jobs_outcome_allowed CHECK (outcome IN ('repaired', 'donor', 'scrapped', 'sold as is', 'open')), 
	CONSTRAINT jobs_bought_for_in_bounds CHECK (bought_for >= 0), 
	CONSTRAINT jobs_hours_in_bounds CHECK (hours >= 0 AND hours <= 10000), 
	CONSTRAINT jobs_other_costs_in_bounds CHECK (other_costs >= 0), 
	CONSTRAINT jobs_sold_for_in_bounds CHECK (sold_for >= 0), 
	CONSTRAINT jobs_sold_on_is_a_date CHECK ((sold_on LIKE '____-__-__' OR sold_on LIKE '____-__')), 
	CONSTRAINT jobs_salvage_value_in_bounds CHECK (salvage_value >= 0), 
	CONSTRAINT jobs_ended_why_allowed CHECK (ended_why IN ('parts not available', 'parts too expensive', 'cannot be opened', 'no information', 'no equipment', 'too worn', 'died on the bench', 'not worth it')), 
	CONSTRAINT jobs_built_from_to_built_to CHECK (built_from <= built_to), 
	CONSTRAINT jobs_year_basis_needs_built_from CHECK (year_basis IS NULL OR built_from IS NOT NULL OR built_to IS NOT NULL), 
	CONSTRAINT jobs_built_from_by_taken_in CHECK (built_from <= CAST(substr(taken_in, 1, 4) AS INTEGER)), 
	CONSTRAINT jobs_built_to_by_taken_in CHECK (built_to <= CAST(substr(taken_in, 1, 4) AS INTEGER)), 
	CONSTRAINT jobs_taken_in_to_closed CHECK (substr(closed, 1, length(taken_in)) >= substr(taken_in, 1, length(closed))), 
	CONSTRAINT jobs_closed_empty_where_open CHECK ((closed IS NULL) = (outcome = 'open')), 
	CONSTRAINT jobs_sold_for_only_where_outcome CHECK (sold_for IS NULL OR coalesce(outcome, '') IN ('repaired', 'sold as is')), 
	CONSTRAINT jobs_sold_on_only_where_outcome CHECK (sold_on IS NULL OR coalesce(outcome, '') IN ('repaired', 'sold as is')), 
	CONSTRAINT jobs_taken_in_to_sold_on CHECK (substr(sold_on, 1, length(taken_in)) >= substr(taken_in, 1, length(sold_on))), 
	CONSTRAINT jobs_salvage_value_never_where_outcome CHECK (salvage_value IS NULL OR coalesce(outcome, '') NOT IN ('open')), 
	CONSTRAINT jobs_ended_by_only_where_outcome CHECK (ended_by IS NULL OR coalesce(outcome, '') IN ('donor', 'scrapped', 'sold as is')), 
	CONSTRAINT jobs_ended_why_only_where_outcome CHECK (ended_why IS NULL OR coalesce(outcome, '') IN ('donor', 'scrapped', 'sold as is')), 
	FOREIGN KEY(family) REFERENCES families (family)
)
 STRICT

;
INSERT INTO "jobs" VALUES('1','Tarnwick T2',NULL,NULL,NULL,NULL,NULL,'2026-05-01','2026-05-10','repaired',2500,NULL,NULL,9990,'2026-05-20',NULL,NULL,NULL,NULL,'=SUM(A1)
second line');
INSERT INTO "jobs" VALUES('2','Tarnwick T2',NULL,NULL,NULL,NULL,NULL,'2026-05-11','2026-05-12','donor',NULL,NULL,NULL,NULL,NULL,NULL,'gear',NULL,NULL,NULL);
INSERT INTO "jobs" VALUES('4','Tarnwick T2',NULL,NULL,NULL,NULL,NULL,'2026-06-01',NULL,'open',1000,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE models (
	model TEXT NOT NULL, 
	family TEXT NOT NULL, 
	first_year INTEGER, 
	last_year INTEGER, 
	PRIMARY KEY (model), 
	CONSTRAINT models_model_not_empty CHECK (length(model) > 0), 
	CONSTRAINT models_family_not_empty CHECK (length(family) > 0), 
	CONSTRAINT models_first_year_in_bounds CHECK (first_year >= 1800 AND first_year <= 2100), 
	CONSTRAINT models_last_year_in_bounds CHECK (last_year >= 1800 AND last_year <= 2100), 
	CONSTRAINT models_first_year_to_last_year CHECK (first_year <= last_year), 
	FOREIGN KEY(family) REFERENCES families (family)
)
 STRICT

;
INSERT INTO "models" VALUES('T2 mk II','Tarnwick T2',NULL,NULL);
CREATE TABLE numbering (
	prefix TEXT NOT NULL, 
	last INTEGER NOT NULL, 
	width INTEGER NOT NULL, 
	turn INTEGER NOT NULL, 
	PRIMARY KEY (prefix)
)
 STRICT

;
INSERT INTO "numbering" VALUES('',4,1,4);
CREATE TABLE parts (
	component TEXT NOT NULL, 
	family TEXT, 
	obtainable TEXT NOT NULL, 
	price INTEGER, 
	pack_size INTEGER, 
	per_unit INTEGER, 
	as_of TEXT, 
	CONSTRAINT parts_component_not_empty CHECK (length(component) > 0), 
	CONSTRAINT parts_obtainable_allowed CHECK (obtainable IN ('yes', 'salvage only', 'no')), 
	CONSTRAINT parts_price_in_bounds CHECK (price >= 0), 
	CONSTRAINT parts_pack_size_in_bounds CHECK (pack_size >= 1 AND pack_size <= 100000), 
	CONSTRAINT parts_per_unit_in_bounds CHECK (per_unit >= 1 AND per_unit <= 100000), 
	CONSTRAINT parts_as_of_is_a_date CHECK ((as_of LIKE '____-__-__' OR as_of LIKE '____-__')), 
	FOREIGN KEY(family) REFERENCES families (family)
)
 STRICT

;
INSERT INTO "parts" VALUES('belt',NULL,'yes',300,10,NULL,NULL);
CREATE TABLE schema_version (
	version INTEGER NOT NULL, 
	made_at TEXT NOT NULL, 
	PRIMARY KEY (version)
)
 STRICT

;
INSERT INTO "schema_version" VALUES(1,'2026-05-01T12:00:00.000Z');
CREATE TABLE settings (
	setting TEXT NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY (setting), 
	CONSTRAINT settings_setting_not_empty CHECK (length(setting) > 0), 
	CONSTRAINT settings_value_not_empty CHECK (length(value) > 0)
)
 STRICT

;
INSERT INTO "settings" VALUES('hour_rate','12.00');
CREATE TABLE signs (
	job TEXT NOT NULL, 
	sign TEXT NOT NULL, 
	seen TEXT NOT NULL, 
	PRIMARY KEY (job, sign), 
	CONSTRAINT signs_job_not_empty CHECK (length(job) > 0), 
	CONSTRAINT signs_sign_not_empty CHECK (length(sign) > 0), 
	CONSTRAINT signs_seen_allowed CHECK (seen IN ('yes', 'no')), 
	FOREIGN KEY(job) REFERENCES jobs (job)
)
 STRICT

;
INSERT INTO "signs" VALUES('1','rust','yes');
CREATE UNIQUE INDEX parts_key ON parts (coalesce(component, ''), coalesce(family, ''));
CREATE UNIQUE INDEX hearsay_key ON hearsay (coalesce(family, ''), coalesce(kind, ''), coalesce(component, ''), coalesce(age_years, -1), coalesce(told_by, ''));
CREATE INDEX findings_component ON findings (component);
COMMIT;
