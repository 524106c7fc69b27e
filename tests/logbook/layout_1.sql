-- A logbook as layout 1 left it (sqlite3 .dump). Never edit: an old file stays as it was.
BEGIN TRANSACTION;
CREATE TABLE clackcount_catch (
	trial INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	given TEXT NOT NULL, 
	side VARCHAR(10) NOT NULL, 
	volume_m3 FLOAT NOT NULL, 
	volume_u_m3 FLOAT NOT NULL, 
	time_s FLOAT NOT NULL, 
	time_u_s FLOAT NOT NULL, 
	vessel VARCHAR(40) NOT NULL, 
	vessel_u FLOAT NOT NULL, 
	start_s FLOAT, 
	end_s FLOAT, 
	n_slams INTEGER, 
	measures VARCHAR(10) NOT NULL, 
	PRIMARY KEY (trial, place), 
	FOREIGN KEY(trial) REFERENCES clackcount_trial (number)
);
INSERT INTO "clackcount_catch" VALUES(1,0,'0.6 L in 60.0 s','delivery',0.0006,1.2e-05,60.0,0.3,'cup',0.02,NULL,NULL,NULL,'US');
INSERT INTO "clackcount_catch" VALUES(1,1,'0.62 L in 60.0 s','delivery',0.00062,1.24e-05,60.0,0.3,'cup',0.02,NULL,NULL,NULL,'US');
CREATE TABLE clackcount_condition (
	trial INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	name VARCHAR(40) NOT NULL, 
	given TEXT NOT NULL, 
	value FLOAT, 
	u FLOAT, 
	unit VARCHAR(20) NOT NULL, 
	PRIMARY KEY (trial, place), 
	UNIQUE (trial, name), 
	FOREIGN KEY(trial) REFERENCES clackcount_trial (number)
);
CREATE TABLE clackcount_meta (
	name VARCHAR(40) NOT NULL, 
	value VARCHAR(200) NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "clackcount_meta" VALUES('schema','1');
CREATE TABLE clackcount_setting (
	trial INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	name VARCHAR(40) NOT NULL, 
	given TEXT NOT NULL, 
	value FLOAT, 
	u FLOAT, 
	unit VARCHAR(20) NOT NULL, 
	PRIMARY KEY (trial, place), 
	UNIQUE (trial, name), 
	FOREIGN KEY(trial) REFERENCES clackcount_trial (number)
);
INSERT INTO "clackcount_setting" VALUES(1,0,'stroke','10.0 mm',0.01,NULL,'m');
CREATE TABLE clackcount_site_text (
	sha256 VARCHAR(64) NOT NULL, 
	text TEXT NOT NULL, 
	PRIMARY KEY (sha256)
);
CREATE TABLE clackcount_trial (
	number INTEGER NOT NULL, 
	uid VARCHAR(36) NOT NULL, 
	site VARCHAR(200) NOT NULL, 
	at VARCHAR(32) NOT NULL, 
	note TEXT NOT NULL, 
	site_sha256 VARCHAR(64), 
	recording_path TEXT, 
	recording_sha256 VARCHAR(64), 
	recording_bytes INTEGER, 
	heard_json TEXT, 
	result_version VARCHAR(40), 
	result_at VARCHAR(32), 
	figures_json TEXT, 
	result_json TEXT, 
	removed_at VARCHAR(32), 
	PRIMARY KEY (number), 
	UNIQUE (uid), 
	FOREIGN KEY(site_sha256) REFERENCES clackcount_site_text (sha256)
);
INSERT INTO "clackcount_trial" VALUES(1,'0f2d1c9e-5a52-4a3e-9d1a-3f8f5b7c1e11','Fern Hollow','2026-03-01T10:00:00Z','first try, leaves in the strainer',NULL,NULL,NULL,NULL,NULL,'0.1','2026-03-01T10:00:00Z','{"rate_per_min":[62.0,0.1]}','{}',NULL);
CREATE INDEX ix_clackcount_trial_site ON clackcount_trial (site);
COMMIT;
