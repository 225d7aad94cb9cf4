PRAGMA foreign_keys=OFF;
BEGIN TRANSACTION;
CREATE TABLE ledger_rows (
	number INTEGER NOT NULL, 
	"before" VARCHAR(64) NOT NULL, 
	digest VARCHAR(64) NOT NULL, 
	job TEXT NOT NULL, 
	"key" TEXT NOT NULL, 
	result VARCHAR(8) NOT NULL, 
	body TEXT NOT NULL, 
	PRIMARY KEY (number)
);
INSERT INTO ledger_rows VALUES(1,'0000000000000000000000000000000000000000000000000000000000000000','4694d2e8202bdefc901bb6db811f4abf23381301513fc6bd1eac8ec485bb6653','j','a','PASS','{"adapter":"ft232h","after_sha256":"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa","backup":"","before_sha256":"","begun":"2026-05-01T10:00:00+00:00","bench":"b","ended":"2026-05-01T10:00:40+00:00","expected":0.0,"image_sha256":"2222222222222222222222222222222222222222222222222222222222222222","jedec_id":"ef4017","job":"j","job_sha256":"1111111111111111111111111111111111111111111111111111111111111111","key":"a","kind":"","label":"Heron a","part":"W25Q64JV","passes":[],"reason":"","record_version":1,"remark":"","result":"PASS","resumed":false,"seconds":{},"station":"1","touched":true,"unique_id":"a","values":{"ethaddr":"00:00:5e:00:53:00","serial":"HG-2026-0000"}}');
INSERT INTO ledger_rows VALUES(2,'4694d2e8202bdefc901bb6db811f4abf23381301513fc6bd1eac8ec485bb6653','37161982bccb4a37aff9719c249ca67ca22ade008f8e79c7e9eaefc18542a11b','j','b','FAIL','{"adapter":"ft232h","after_sha256":"","backup":"","before_sha256":"","begun":"2026-05-01T10:00:00+00:00","bench":"b","ended":"2026-05-01T10:00:40+00:00","expected":0.0,"image_sha256":"2222222222222222222222222222222222222222222222222222222222222222","jedec_id":"ef4017","job":"j","job_sha256":"1111111111111111111111111111111111111111111111111111111111111111","key":"b","kind":"write","label":"","part":"W25Q64JV","passes":[],"reason":"worn","record_version":1,"remark":"","result":"FAIL","resumed":false,"seconds":{},"station":"1","touched":true,"unique_id":"b","values":{"ethaddr":"00:00:5e:00:53:01","serial":"HG-2026-0001"}}');
INSERT INTO ledger_rows VALUES(3,'37161982bccb4a37aff9719c249ca67ca22ade008f8e79c7e9eaefc18542a11b','2305cec7ee2b14fe04d6ebf63a7c07966d52d26ae1645de10eeb24b0a6b7238d','j','d','FAIL','{"adapter":"ft232h","after_sha256":"","backup":"","before_sha256":"","begun":"2026-05-01T10:00:00+00:00","bench":"b","ended":"2026-05-01T10:00:40+00:00","expected":0.0,"image_sha256":"2222222222222222222222222222222222222222222222222222222222222222","jedec_id":"ef4017","job":"j","job_sha256":"1111111111111111111111111111111111111111111111111111111111111111","key":"d","kind":"contact","label":"","part":"W25Q64JV","passes":[],"reason":"","record_version":1,"remark":"","result":"FAIL","resumed":false,"seconds":{},"station":"1","touched":false,"unique_id":"d","values":{}}');
CREATE TABLE values_given (
	space VARCHAR(64) NOT NULL, 
	text VARCHAR(1024) NOT NULL, 
	"key" TEXT NOT NULL, 
	PRIMARY KEY (space, text)
);
INSERT INTO values_given VALUES('mac','00:00:5e:00:53:00','a');
INSERT INTO values_given VALUES('serial','HG-2026-0000','a');
INSERT INTO values_given VALUES('mac','00:00:5e:00:53:02','c');
INSERT INTO values_given VALUES('serial','HG-2026-0002','c');
CREATE TABLE boards_in_hand (
	"key" TEXT NOT NULL, 
	job TEXT NOT NULL, 
	bench TEXT NOT NULL, 
	jedec_id TEXT NOT NULL, 
	unique_id TEXT NOT NULL, 
	size INTEGER NOT NULL, 
	backup TEXT NOT NULL, 
	before_sha256 VARCHAR(64) NOT NULL, 
	"values" TEXT NOT NULL, 
	PRIMARY KEY ("key")
);
INSERT INTO boards_in_hand VALUES('b','j','b','ef4017','b',8388608,'/shelf/b','0000000000000000000000000000000000000000000000000000000000000000','{}');
INSERT INTO boards_in_hand VALUES('c','j','b','ef4017','c',8388608,'/shelf/c','0000000000000000000000000000000000000000000000000000000000000000','{"ethaddr": "00:00:5e:00:53:02", "serial": "HG-2026-0002"}');
CREATE INDEX ix_ledger_rows_key ON ledger_rows ("key");
CREATE INDEX ix_values_given_key ON values_given ("key");
COMMIT;
