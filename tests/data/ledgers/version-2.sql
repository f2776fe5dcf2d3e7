BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('2');
CREATE TABLE entries (
	seq INTEGER NOT NULL, 
	kind VARCHAR(20) NOT NULL, 
	written_utc VARCHAR(40) NOT NULL, 
	part_id TEXT, 
	verdict VARCHAR(12), 
	sha VARCHAR(64) NOT NULL, 
	entry TEXT NOT NULL, 
	PRIMARY KEY (seq), 
	UNIQUE (sha)
);
INSERT INTO "entries" VALUES(1,'act','2026-11-26T18:00:00.000Z',NULL,NULL,'af35f0a1e71a008370e30d6b80d7747c48d89b29cd71207e67ba3b40312b03d1','{"body":{"act":"note","format":"tiepoint/act/1","station":"station","who":"M. Weiss","why":"first"},"format":"tiepoint/entry/1","kind":"act","prev_sha":"0000000000000000000000000000000000000000000000000000000000000000","seq":1,"written_utc":"2026-11-26T18:00:00.000Z"}');
INSERT INTO "entries" VALUES(2,'record','2026-11-26T18:00:30.000Z','p0','unread','0038a4209a9b18c3e0c7a0a74c217e64f563fd8e96bfef88e8127b9edc02099e','{"body":{"format":"tiepoint/record/1","grips":[],"lights_sha":null,"notes":[],"prev_sha":"af35f0a1e71a008370e30d6b80d7747c48d89b29cd71207e67ba3b40312b03d1","readings":[{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore A.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 0","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null}],"recipe_sha":"0000000000000000000000000000000000000000000000000000000000000000","seq":2,"sha":"285a18abace8ad070485d99b04432ed7dddeb972b2f8bb3927b2ea89cb34f71f","shot":{"encoder_count":null,"id":"s0","part_id":"p0","pictures":[{"binning":[1,1],"bits":8,"camera":"","exposure_s":null,"file":null,"flip":"none","gain":null,"light":null,"pixel_format":"mono8","pixels_sha256":"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa","roi_offset":[0,0],"role":"main","size":[10,10]}],"robot_from_flange":null,"status":"complete","taken_mono_ns":null,"taken_utc":"2026-05-04T06:00:00Z","temperature_c":null,"variant":null},"software":"tiepoint 0","station":"station","tie_shas":[],"timings":{},"variant":"large","verdict":"unread"},"format":"tiepoint/entry/1","kind":"record","prev_sha":"af35f0a1e71a008370e30d6b80d7747c48d89b29cd71207e67ba3b40312b03d1","seq":2,"written_utc":"2026-11-26T18:00:30.000Z"}');
INSERT INTO "entries" VALUES(3,'record','2026-11-26T18:01:30.000Z','p1','unread','11c682eecece3f67f8af7c523a3fc776bc61fe66c2c0b0e06e1fcee63b0f3412','{"body":{"format":"tiepoint/record/1","grips":[],"lights_sha":null,"notes":[],"prev_sha":"0038a4209a9b18c3e0c7a0a74c217e64f563fd8e96bfef88e8127b9edc02099e","readings":[{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 0.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 1.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 2.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 3.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 4.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 5.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 6.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 7.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 8.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 9.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 10.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null},{"U95":0.003919927969080108,"dof":null,"drawing":null,"expected":null,"flags":[],"frame":"plane","id":"bore 11.diameter","kind":"circle","limits":null,"method":"linear","name":"bore A","operator":null,"quantity":"diameter","reason":null,"sources":[{"c":1,"distribution":"normal","dof":null,"id":"noise 1","label":"noise","scope":"shot","type":"A","u":0.002}],"step":"bore A","text":null,"u":0.002,"unit":"mm","value":4.5,"verdict":null}],"recipe_sha":"0000000000000000000000000000000000000000000000000000000000000000","seq":3,"sha":"68bbf8c59fc5332ff5d2fd730fe5a858e44938df25885adcb7f0c7a6445deab5","shot":{"encoder_count":null,"id":"s1","part_id":"p1","pictures":[{"binning":[1,1],"bits":8,"camera":"","exposure_s":null,"file":null,"flip":"none","gain":null,"light":null,"pixel_format":"mono8","pixels_sha256":"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa","roi_offset":[0,0],"role":"main","size":[10,10]}],"robot_from_flange":null,"status":"complete","taken_mono_ns":null,"taken_utc":"2026-05-04T06:00:00Z","temperature_c":null,"variant":null},"software":"tiepoint 0","station":"station","tie_shas":[],"timings":{},"variant":"large","verdict":"unread"},"format":"tiepoint/entry/1","kind":"record","prev_sha":"0038a4209a9b18c3e0c7a0a74c217e64f563fd8e96bfef88e8127b9edc02099e","seq":3,"written_utc":"2026-11-26T18:01:30.000Z"}');
CREATE TABLE judged (
	seq INTEGER NOT NULL, 
	sort INTEGER NOT NULL, 
	written_utc VARCHAR(40) NOT NULL, 
	PRIMARY KEY (seq)
);
INSERT INTO "judged" VALUES(2,1,'2026-11-26T18:00:30.000Z');
INSERT INTO "judged" VALUES(3,1,'2026-11-26T18:01:30.000Z');
CREATE TABLE not_conforming (
	reading VARCHAR(200) NOT NULL, 
	seq INTEGER NOT NULL, 
	verdict VARCHAR(12) NOT NULL, 
	PRIMARY KEY (reading, seq)
)
 WITHOUT ROWID

;
CREATE TABLE sorts (
	id INTEGER NOT NULL, 
	recipe_sha VARCHAR(64) NOT NULL, 
	variant TEXT NOT NULL, 
	verdict VARCHAR(12) NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "sorts" VALUES(1,'0000000000000000000000000000000000000000000000000000000000000000','large','unread');
CREATE TABLE sums (
	per VARCHAR(6) NOT NULL, 
	since VARCHAR(16) NOT NULL, 
	sort INTEGER NOT NULL, 
	count INTEGER NOT NULL, 
	first INTEGER NOT NULL, 
	last INTEGER NOT NULL, 
	PRIMARY KEY (per, since, sort)
)
 WITHOUT ROWID

;
INSERT INTO "sums" VALUES('day','2026-11-26',1,2,2,3);
INSERT INTO "sums" VALUES('minute','2026-11-26T18:00',1,1,2,2);
INSERT INTO "sums" VALUES('minute','2026-11-26T18:01',1,1,3,3);
CREATE INDEX ix_entries_kind ON entries (kind);
CREATE INDEX ix_entries_part_id ON entries (part_id);
CREATE TRIGGER no_update BEFORE UPDATE ON entries BEGIN SELECT RAISE(ABORT, 'the ledger is only ever added to'); END;
CREATE TRIGGER no_delete BEFORE DELETE ON entries BEGIN SELECT RAISE(ABORT, 'the ledger is only ever added to'); END;
CREATE INDEX ix_judged_sort ON judged (sort, seq);
COMMIT;
PRAGMA user_version = 2;
