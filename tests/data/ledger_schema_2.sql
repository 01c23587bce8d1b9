-- A ledger of schema version 2 with invented jobs, dumped with sqlite3 from what the code at commit 42c556a (2026-11-28) wrote.
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
INSERT INTO "families" VALUES('Tarnwick T2','tape deck','Tarnwick',1975,1984,9000,'2026-01',NULL,NULL);
INSERT INTO "families" VALUES('Dallow 80','receiver',NULL,NULL,NULL,NULL,NULL,NULL,NULL);
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
INSERT INTO "findings" VALUES('3','gear','','failed',NULL,NULL,NULL,'as received',NULL,NULL,'no part',NULL,NULL);
INSERT INTO "findings" VALUES('1','belt','','failed',NULL,NULL,NULL,'as received',NULL,NULL,'replaced',650,'new');
INSERT INTO "findings" VALUES('1','motor','','sound',NULL,NULL,NULL,'as received',NULL,NULL,NULL,NULL,NULL);
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
INSERT INTO "followups" VALUES('1','2026-06-01','yes',NULL,NULL,NULL,NULL);
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
INSERT INTO "hearsay" VALUES(NULL,'receiver',NULL,NULL,NULL,0.7,3.0,'a trader');
CREATE TABLE history (
	entry INTEGER NOT NULL, 
	what TEXT NOT NULL, 
	"key" TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	written_at TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	content TEXT, 
	digest TEXT DEFAULT '' NOT NULL, 
	PRIMARY KEY (entry), 
	UNIQUE (what, "key", version), 
	CONSTRAINT history_version_in_bounds CHECK (version >= 1)
)
 STRICT

;
INSERT INTO "history" VALUES(1,'families','Tarnwick T2',1,'2026-11-28T22:48:53.792Z','first families','{"family":"Tarnwick T2","kind":"tape deck","maker":"Tarnwick","first_year":1975,"last_year":1984,"working_price":"90.00","priced_on":"2026-01"}','81cc0ab71abc32c6a5c25447b443403ac9889be2202c990071553b3ba5c90923');
INSERT INTO "history" VALUES(2,'families','Dallow 80',1,'2026-11-28T22:48:53.793Z','first families','{"family":"Dallow 80","kind":"receiver"}','2cae1eebb1cdb7410d64c8f3d14d9f6c5d0328505bea902ad0a9985e19ed69f6');
INSERT INTO "history" VALUES(3,'settings','hour_rate',1,'2026-11-28T22:48:53.795Z','as agreed','{"setting":"hour_rate","value":"8.00"}','64f1cbe7183646bc82c0d1b04cd6ab1fba094546f71651afe6f9e66032f72cd5');
INSERT INTO "history" VALUES(4,'settings','warranty_days',1,'2026-11-28T22:48:53.795Z','as agreed','{"setting":"warranty_days","value":"180"}','a66ebcbd4ff97b65da43fb1345d11a0db328d004cecdf5d0bd770152d7e60e0b');
INSERT INTO "history" VALUES(5,'models','T2 mk II',1,'2026-11-28T22:48:53.797Z','seen','{"model":"T2 mk II","family":"Tarnwick T2"}','75cc5a08673e37fe654661a63729d6c8e5f9692c04715f62fa74fe893b2ee61b');
INSERT INTO "history" VALUES(6,'parts','["belt", null]',1,'2026-11-28T22:48:53.798Z','looked up','{"component":"belt","obtainable":"yes","price":"6.50","as_of":"2026-02"}','e366a821ac1963808d30dba35a5f563eafd4182681645f1bee4f9a5f98fc84ac');
INSERT INTO "history" VALUES(7,'hearsay','[null, "receiver", null, null, "a trader"]',1,'2026-11-28T22:48:53.800Z','heard','{"kind":"receiver","share_repaired":0.7,"worth_jobs":3.0,"told_by":"a trader"}','008bcf9c8dd1a03887281a4b9a87bde47aba347ef3b51fee0570ff0dc98d2088');
INSERT INTO "history" VALUES(8,'jobs','1',1,'2026-11-28T22:48:53.804Z','taken in','{"job":{"job":"1","family":"Tarnwick T2","model":"T2 mk II","lot":"attic","built_from":1979,"built_to":1981,"taken_in":"2026-03-01","outcome":"open","bought_for":"25.00"},"findings":[],"signs":[{"sign":"rust","seen":"no"}],"followups":[]}','4f11179747743fb0d90024d6dd03b5e0cd3d1890a664f3caa4ae78728b6d9ffc');
INSERT INTO "history" VALUES(9,'jobs','2',1,'2026-11-28T22:48:53.806Z','taken in','{"job":{"job":"2","family":"Dallow 80","lot":"attic","taken_in":"2026-03-01","outcome":"open","bought_for":"15.50","remarks":"loud hum"},"findings":[],"signs":[],"followups":[]}','9730ee5d04a4252005224c2ba8876203f98491afc19dc0ea6f876dec7858cbcb');
INSERT INTO "history" VALUES(10,'jobs','3',1,'2026-11-28T22:48:53.810Z','taken in','{"job":{"job":"3","family":"Tarnwick T2","lot":"barn","taken_in":"2026-03-09","outcome":"open","bought_for":"30.00"},"findings":[],"signs":[],"followups":[]}','8fa7b5b13050f52d030bfbd60036fe84df7204a82310ba8fdfd82f81fc970cdf');
INSERT INTO "history" VALUES(11,'jobs','4',1,'2026-11-28T22:48:53.811Z','taken in','{"job":{"job":"4","family":"Dallow 80","lot":"barn","taken_in":"2026-03-09","outcome":"open","remarks":"no lid"},"findings":[],"signs":[],"followups":[]}','296a3986cf42f85928a157da4d5bdee3d8265b9a00224372f4c04f0213c0cdaf');
INSERT INTO "history" VALUES(12,'jobs','5',1,'2026-11-28T22:48:53.813Z','taken in','{"job":{"job":"5","family":"Dallow 80","taken_in":"2026-04-02","outcome":"open","bought_for":"12.00"},"findings":[],"signs":[],"followups":[]}','1aabcc7ab42b3dcfd917efffcdcaa5e2c2a7215c901739198df0322339ac518f');
INSERT INTO "history" VALUES(13,'jobs','1',2,'2026-11-28T22:48:53.818Z','added','{"job":{"job":"1","family":"Tarnwick T2","model":"T2 mk II","lot":"attic","built_from":1979,"built_to":1981,"taken_in":"2026-03-01","closed":"2026-03-20","outcome":"repaired","bought_for":"25.00","hours":2.5,"sold_for":"95.00","sold_on":"2026-04-01"},"findings":[{"component":"belt","position":"","found":"failed","arose":"as received","action":"replaced","part_cost":"6.50","part_source":"new"},{"component":"motor","position":"","found":"sound","arose":"as received"}],"signs":[{"sign":"rust","seen":"no"}],"followups":[]}','40d9e52f2d998ba57f1a354b45f26133244232a46c6e20c8000f93bf9a861502');
INSERT INTO "history" VALUES(14,'jobs','3',2,'2026-11-28T22:48:53.821Z','added','{"job":{"job":"3","family":"Tarnwick T2","lot":"barn","taken_in":"2026-03-09","closed":"2026-04-11","outcome":"donor","bought_for":"30.00","hours":1.0,"salvage_value":"18.00","ended_by":"gear"},"findings":[{"component":"gear","position":"","found":"failed","arose":"as received","action":"no part"}],"signs":[],"followups":[]}','ba4f77b6411e9dd76faac6cc4287d0b30ccce68ce1283dbfd551548f962f8dd5');
INSERT INTO "history" VALUES(15,'jobs','1',3,'2026-11-28T22:48:53.824Z','followed up','{"job":{"job":"1","family":"Tarnwick T2","model":"T2 mk II","lot":"attic","built_from":1979,"built_to":1981,"taken_in":"2026-03-01","closed":"2026-03-20","outcome":"repaired","bought_for":"25.00","hours":2.5,"sold_for":"95.00","sold_on":"2026-04-01"},"findings":[{"component":"belt","position":"","found":"failed","arose":"as received","action":"replaced","part_cost":"6.50","part_source":"new"},{"component":"motor","position":"","found":"sound","arose":"as received"}],"signs":[{"sign":"rust","seen":"no"}],"followups":[{"checked_on":"2026-06-01","working":"yes"}]}','216774f8c98d6d939be23079ff6df5befbc19a1bb24ee613992c53dc68023a7f');
INSERT INTO "history" VALUES(16,'jobs','1',4,'2026-11-28T22:48:53.827Z','looked again','{"job":{"job":"1","family":"Tarnwick T2","model":"T2 mk II","lot":"attic","built_from":1979,"built_to":1981,"taken_in":"2026-03-01","closed":"2026-03-20","outcome":"repaired","bought_for":"25.00","hours":3.0,"sold_for":"95.00","sold_on":"2026-04-01"},"findings":[{"component":"belt","position":"","found":"failed","arose":"as received","action":"replaced","part_cost":"6.50","part_source":"new"},{"component":"motor","position":"","found":"sound","arose":"as received"}],"signs":[{"sign":"rust","seen":"no"}],"followups":[{"checked_on":"2026-06-01","working":"yes"}]}','32b8755f78bbf00d7051a3cb3ae27eb71f62a4c00e6f6ebd37886a7c2b497dfa');
INSERT INTO "history" VALUES(17,'jobs','6',1,'2026-11-28T22:48:53.830Z','taken in','{"job":{"job":"6","family":"Dallow 80","taken_in":"2026-04-03","outcome":"open"},"findings":[],"signs":[],"followups":[]}','9d44b7a26438e4729825d754aad3a0dd41167c10e702e419344c3078e9d40973');
INSERT INTO "history" VALUES(18,'jobs','6',2,'2026-11-28T22:48:53.831Z','no job at all',NULL,'162092c1f0b401dc399db39380d95bdaa8d6e1313e5dcbef273aebeb82a9f583');
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
INSERT INTO "jobs" VALUES('1','Tarnwick T2','T2 mk II','attic',1979,1981,NULL,'2026-03-01','2026-03-20','repaired',2500,3.0,NULL,9500,'2026-04-01',NULL,NULL,NULL,NULL,NULL);
INSERT INTO "jobs" VALUES('2','Dallow 80',NULL,'attic',NULL,NULL,NULL,'2026-03-01',NULL,'open',1550,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'loud hum');
INSERT INTO "jobs" VALUES('3','Tarnwick T2',NULL,'barn',NULL,NULL,NULL,'2026-03-09','2026-04-11','donor',3000,1.0,NULL,NULL,NULL,1800,'gear',NULL,NULL,NULL);
INSERT INTO "jobs" VALUES('4','Dallow 80',NULL,'barn',NULL,NULL,NULL,'2026-03-09',NULL,'open',NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'no lid');
INSERT INTO "jobs" VALUES('5','Dallow 80',NULL,NULL,NULL,NULL,NULL,'2026-04-02',NULL,'open',1200,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
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
INSERT INTO "numbering" VALUES('',6,1,6);
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
INSERT INTO "parts" VALUES('belt',NULL,'yes',650,NULL,NULL,'2026-02');
CREATE TABLE schema_version (
	version INTEGER NOT NULL, 
	made_at TEXT NOT NULL, 
	PRIMARY KEY (version)
)
 STRICT

;
INSERT INTO "schema_version" VALUES(2,'2026-11-28T22:48:53.787Z');
CREATE TABLE settings (
	setting TEXT NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY (setting), 
	CONSTRAINT settings_setting_not_empty CHECK (length(setting) > 0), 
	CONSTRAINT settings_value_not_empty CHECK (length(value) > 0)
)
 STRICT

;
INSERT INTO "settings" VALUES('hour_rate','8.00');
INSERT INTO "settings" VALUES('warranty_days','180');
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
INSERT INTO "signs" VALUES('1','rust','no');
CREATE UNIQUE INDEX parts_key ON parts (coalesce(component, ''), coalesce(family, ''));
CREATE UNIQUE INDEX hearsay_key ON hearsay (coalesce(family, ''), coalesce(kind, ''), coalesce(component, ''), coalesce(age_years, -1), coalesce(told_by, ''));
CREATE INDEX findings_component ON findings (component);
COMMIT;
