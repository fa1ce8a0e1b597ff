-- A record as an earlier version wrote it: one invented heat. Never edited; read by test_schemas.py.
PRAGMA application_id = 1936679275;
PRAGMA user_version = 0;
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'record','runs_and_readings','2026-11-26 01:15:42.217606+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'record','alerts_events_notes','2026-11-26 01:15:42.224148+00:00');
INSERT INTO "_sqlite_migrations" VALUES(3,'record','views_for_people','2026-11-26 01:15:42.251642+00:00');
CREATE TABLE alert (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            oven INTEGER REFERENCES oven(number),
            run INTEGER REFERENCES run(number),
            time_s REAL NOT NULL,
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,
            key TEXT NOT NULL,                    -- which one of that kind: a channel, a target
            episode INTEGER NOT NULL,
            phase TEXT NOT NULL,                  -- raised, reminded, escalated, acknowledged, cleared
            severity TEXT NOT NULL,
            title TEXT NOT NULL,
            message TEXT NOT NULL,
            advice TEXT NOT NULL
        ) STRICT;
INSERT INTO "alert" VALUES(1,'7a25a19cdde54f47bbb1e424329d8952',1,1,7000.0,1773524200.0,'soak started','inside',1,'raised','news','Soak started','made up.','look at it');
CREATE TABLE channel (
            number INTEGER PRIMARY KEY,
            oven INTEGER NOT NULL REFERENCES oven(number),
            name TEXT NOT NULL,
            UNIQUE (oven, name)
        ) STRICT;
INSERT INTO "channel" VALUES(1,1,'inside');
CREATE TABLE delivery (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            alert TEXT NOT NULL,                  -- alert.id
            channel TEXT NOT NULL,                -- the name of a notification channel
            utc_s REAL NOT NULL,
            outcome TEXT NOT NULL CHECK (outcome IN ('queued', 'failed', 'delivered', 'given up')),
            reason TEXT NOT NULL
        ) STRICT;
CREATE TABLE estimate (
            run INTEGER NOT NULL REFERENCES run(number),
            time_s REAL NOT NULL,
            summary TEXT NOT NULL,                -- JSON object: what was shown at that moment
            PRIMARY KEY (run, time_s)
        ) STRICT, WITHOUT ROWID;
CREATE TABLE event (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            oven INTEGER REFERENCES oven(number),
            run INTEGER REFERENCES run(number),
            time_s REAL,
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,
            text TEXT NOT NULL,
            detail TEXT NOT NULL                  -- JSON object
        ) STRICT;
INSERT INTO "event" VALUES(1,'3f7458204bf44e98a54e038f41349dba',1,1,0.0,1773517200.0,'watch started','soaktally 0.1.0','{"thermocouples": {"inside": {"type": "K", "tolerance": "standard", "reading_K": [1173.15], "add_K": [1.5], "sheathed": true}}}');
CREATE TABLE note (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            run INTEGER NOT NULL REFERENCES run(number),
            time_s REAL,                          -- the moment it is about; NULL: the whole run
            utc_s REAL NOT NULL,                  -- when it was written
            author TEXT NOT NULL,
            text TEXT NOT NULL
        ) STRICT;
INSERT INTO "note" VALUES(1,'48c84fd7ff8e4e09af3e23df05d50904',1,900.0,1773518100.0,'Ada','turned the can, über Nacht');
CREATE TABLE oven (
            number INTEGER PRIMARY KEY,
            name TEXT NOT NULL UNIQUE
        ) STRICT;
INSERT INTO "oven" VALUES(1,'shed oven');
CREATE TABLE reading (
            run INTEGER NOT NULL REFERENCES run(number),
            channel INTEGER NOT NULL REFERENCES channel(number),
            time_s REAL NOT NULL,
            utc_s REAL NOT NULL,
            monotonic_s REAL,                     -- the machine's steady clock; starts anew at every boot
            temperature_K REAL,                   -- as read, whatever its quality; NULL where there was no number
            quality TEXT NOT NULL,
            raw TEXT NOT NULL,                    -- what the controller answered
            set_point_K REAL,
            output_pct REAL,
            PRIMARY KEY (run, channel, time_s),
            CHECK (quality <> 'good' OR temperature_K IS NOT NULL)
        ) STRICT, WITHOUT ROWID;
INSERT INTO "reading" VALUES(1,1,0.0,1773517200.0,NULL,293.15,'good','200',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,120.0,1773517320.0,NULL,3.22109999999999956792e+02,'good','490',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,240.0,1773517440.0,NULL,351.07,'good','779',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,360.0,1773517560.0,NULL,380.03,'good','1069',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,480.0,1773517680.0,NULL,408.99,'good','1358',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,600.0,1773517800.0,NULL,437.95,'good','1648',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,720.0,1773517920.0,NULL,4.66909999999999968155e+02,'good','1938',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,840.0,1773518040.0,NULL,495.87,'good','2227',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,960.0,1773518160.0,NULL,5.24829999999999927259e+02,'good','2517',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1080.0,1773518280.0,NULL,553.79,'good','2806',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1200.0,1773518400.0,NULL,582.75,'good','3096',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1320.0,1773518520.0,NULL,611.71,'good','3386',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1440.0,1773518640.0,NULL,640.67,'good','3675',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1560.0,1773518760.0,NULL,6.69629999999999881744e+02,'good','3965',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1680.0,1773518880.0,NULL,6.98589999999999918152e+02,'good','4254',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1800.0,1773519000.0,NULL,727.55,'good','4544',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,1920.0,1773519120.0,NULL,756.51,'good','4834',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2040.0,1773519240.0,NULL,785.47,'good','5123',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2160.0,1773519360.0,NULL,814.43,'good','5413',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2280.0,1773519480.0,NULL,843.39,'good','5702',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2400.0,1773519600.0,NULL,872.35,'good','5992',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2520.0,1773519720.0,NULL,9.0131000000000005912e+02,'good','6282',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2640.0,1773519840.0,NULL,930.27,'good','6571',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2760.0,1773519960.0,NULL,959.23,'good','6861',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,2880.0,1773520080.0,NULL,9.88189999999999940921e+02,'good','7150',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3000.0,1773520200.0,NULL,1017.15,'good','7440',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3120.0,1773520320.0,NULL,1046.11,'good','7730',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3240.0,1773520440.0,NULL,1075.07,'good','8019',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3360.0,1773520560.0,NULL,1104.03,'good','8309',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3480.0,1773520680.0,NULL,1132.99,'good','8598',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3600.0,1773520800.0,NULL,1.16194999999999981805e+03,'good','8888',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3720.0,1773520920.0,NULL,1.19090999999999985444e+03,'good','9178',NULL,90.0);
INSERT INTO "reading" VALUES(1,1,3840.0,1773521040.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,3960.0,1773521160.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4080.0,1773521280.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4200.0,1773521400.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4320.0,1773521520.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4440.0,1773521640.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4560.0,1773521760.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4680.0,1773521880.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4800.0,1773522000.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,4920.0,1773522120.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5040.0,1773522240.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5160.0,1773522360.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5280.0,1773522480.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5400.0,1773522600.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5520.0,1773522720.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5640.0,1773522840.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5760.0,1773522960.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,5880.0,1773523080.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6000.0,1773523200.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6120.0,1773523320.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6240.0,1773523440.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6360.0,1773523560.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6480.0,1773523680.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6600.0,1773523800.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6720.0,1773523920.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6840.0,1773524040.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,6960.0,1773524160.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7080.0,1773524280.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7200.0,1773524400.0,NULL,NULL,'sensor open','32767',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7320.0,1773524520.0,NULL,NULL,'sensor open','32767',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7440.0,1773524640.0,NULL,NULL,'sensor open','32767',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7560.0,1773524760.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7680.0,1773524880.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7800.0,1773525000.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,7920.0,1773525120.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8040.0,1773525240.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8160.0,1773525360.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8280.0,1773525480.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8400.0,1773525600.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8520.0,1773525720.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8640.0,1773525840.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8760.0,1773525960.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,8880.0,1773526080.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9000.0,1773526200.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9120.0,1773526320.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9240.0,1773526440.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9360.0,1773526560.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9480.0,1773526680.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9600.0,1773526800.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9720.0,1773526920.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9840.0,1773527040.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,9960.0,1773527160.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10080.0,1773527280.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10200.0,1773527400.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10320.0,1773527520.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10440.0,1773527640.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10560.0,1773527760.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10680.0,1773527880.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10800.0,1773528000.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,10920.0,1773528120.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11040.0,1773528240.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11160.0,1773528360.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11280.0,1773528480.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11400.0,1773528600.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11520.0,1773528720.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11640.0,1773528840.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11760.0,1773528960.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,11880.0,1773529080.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12000.0,1773529200.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12120.0,1773529320.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12240.0,1773529440.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12360.0,1773529560.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12480.0,1773529680.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12600.0,1773529800.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12720.0,1773529920.0,NULL,1198.15,'good','9250',NULL,40.0);
INSERT INTO "reading" VALUES(1,1,12840.0,1773530040.0,NULL,1.16484094803734387825e+03,'good','8917',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,12960.0,1773530160.0,NULL,1.12232807884404428479e+03,'good','8492',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13080.0,1773530280.0,NULL,1.08188858674742778022e+03,'good','8087',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13200.0,1773530400.0,NULL,1.04342135195326227408e+03,'good','7703',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13320.0,1773530520.0,NULL,1.00683018633787435189e+03,'good','7337',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13440.0,1773530640.0,NULL,9.72023592927738491233e+02,'good','6989',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13560.0,1773530760.0,NULL,9.38914537109384696091e+02,'good','6658',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13680.0,1773530880.0,NULL,907.42022899753,'good','6343',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13800.0,1773531000.0,NULL,8.7746191641724226428e+02,'good','6043',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,13920.0,1773531120.0,NULL,8.48964687982482701066e+02,'good','5758',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14040.0,1773531240.0,NULL,8.2185728577862084878e+02,'good','5487',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14160.0,1773531360.0,NULL,796.071927180532,'good','5229',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14280.0,1773531480.0,NULL,7.7154413536072752322e+02,'good','4984',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14400.0,1773531600.0,NULL,7.48212578063701585053e+02,'good','4751',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14520.0,1773531720.0,NULL,726.018914243346,'good','4529',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14640.0,1773531840.0,NULL,704.907648179947,'good','4318',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14760.0,1773531960.0,NULL,6.84825990711978420215e+02,'good','4117',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,14880.0,1773532080.0,NULL,6.65723727235702313021e+02,'good','3926',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15000.0,1773532200.0,NULL,6.4755309214250314654e+02,'good','3744',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15120.0,1773532320.0,NULL,6.30268649379986754853e+02,'good','3571',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15240.0,1773532440.0,NULL,6.13827178838182703664e+02,'good','3407',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15360.0,1773532560.0,NULL,5.98187568276757133381e+02,'good','3250',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15480.0,1773532680.0,NULL,5.83310710522996942037e+02,'good','3102',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15600.0,1773532800.0,NULL,5.69159405683508566641e+02,'good','2960',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15720.0,1773532920.0,NULL,5.5569826812510791569e+02,'good','2825',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15840.0,1773533040.0,NULL,5.42893637992305684754e+02,'good','2697',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,15960.0,1773533160.0,NULL,5.30713497040135507611e+02,'good','2576',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16080.0,1773533280.0,NULL,5.19127388571865253661e+02,'good','2460',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16200.0,1773533400.0,NULL,5.08106341281389632062e+02,'good','2350',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16320.0,1773533520.0,NULL,4.97622796809875239882e+02,'good','2245',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16440.0,1773533640.0,NULL,4.87650540835509104919e+02,'good','2145',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16560.0,1773533760.0,NULL,478.164637524039,'good','2050',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16680.0,1773533880.0,NULL,4.69141367176199764778e+02,'good','1960',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16800.0,1773534000.0,NULL,4.60558166916110337755e+02,'good','1874',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,16920.0,1773534120.0,NULL,4.52393574272331079567e+02,'good','1792',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17040.0,1773534240.0,NULL,4.44627173510506224808e+02,'good','1715',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17160.0,1773534360.0,NULL,4.37239544583393694669e+02,'good','1641',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17280.0,1773534480.0,NULL,4.3021221457063154505e+02,'good','1571',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17400.0,1773534600.0,NULL,4.23527611486815203523e+02,'good','1504',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17520.0,1773534720.0,NULL,4.17169020342380918002e+02,'good','1440',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17640.0,1773534840.0,NULL,4.11120541347425330494e+02,'good','1380',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17760.0,1773534960.0,NULL,4.05367050153949094216e+02,'good','1322',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,17880.0,1773535080.0,NULL,3.99894160037108690628e+02,'good','1267',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,18000.0,1773535200.0,NULL,3.94688185920911053013e+02,'good','1215',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,18120.0,1773535320.0,NULL,3.89736110158394751575e+02,'good','1166',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,18240.0,1773535440.0,NULL,3.85025549980732364465e+02,'good','1119',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,18360.0,1773535560.0,NULL,3.80544726533858636216e+02,'good','1074',NULL,0.0);
INSERT INTO "reading" VALUES(1,1,18480.0,1773535680.0,NULL,3.76282435425199651029e+02,'good','1031',NULL,0.0);
CREATE TABLE request (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,                   -- what another process asks of the one that watches
            detail TEXT NOT NULL                  -- JSON object
        ) STRICT;
CREATE TABLE run (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,              -- what a person types: the day, and a letter
            oven INTEGER NOT NULL REFERENCES oven(number),
            sheet_name TEXT NOT NULL,
            sheet_text TEXT NOT NULL,             -- the run sheet, letter for letter
            started_utc_s REAL NOT NULL,
            clock TEXT NOT NULL,                  -- "real", or how a simulated clock ran
            software TEXT NOT NULL,
            poll_interval_s REAL NOT NULL
        ) STRICT;
INSERT INTO "run" VALUES(1,'2026-03-14-a',1,'sheet','name = "Strap lot 12"
notes = "four lengths, wire-brushed"

[piece]
shape = "plate"
thickness_mm = 4.0
carbon_wt_pct = 0.05
alloy_wt_pct = { Mn = 0.05, Si = 0.10 }
iron_lot = "barn hinges, invented"

[pack]
recipe = "energised charcoal"

[canister]
sensor = "inside"

[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.5

[[target]]
quantity = "soak time"
reach_h = 1.5

[[target]]
quantity = "surface carbon"
reach_wt_pct = 1.3
limit = true
',1773517200.0,'real','soaktally 0.1.0',120.0);
CREATE TABLE run_end (
            run INTEGER PRIMARY KEY REFERENCES run(number),
            ended_utc_s REAL NOT NULL,
            how TEXT NOT NULL
        ) STRICT;
INSERT INTO "run_end" VALUES(1,1773535680.0,'stopped by hand');
CREATE TABLE setting (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            utc_s REAL NOT NULL,
            name TEXT NOT NULL,                   -- the newest row of a name holds
            value TEXT NOT NULL
        ) STRICT;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE TRIGGER oven_refuses_update BEFORE UPDATE ON oven BEGIN SELECT RAISE(ABORT, 'the record is append-only: oven rows are never changed'); END;
CREATE TRIGGER oven_refuses_delete BEFORE DELETE ON oven BEGIN SELECT RAISE(ABORT, 'the record is append-only: oven rows are never changed'); END;
CREATE TRIGGER channel_refuses_update BEFORE UPDATE ON channel BEGIN SELECT RAISE(ABORT, 'the record is append-only: channel rows are never changed'); END;
CREATE TRIGGER channel_refuses_delete BEFORE DELETE ON channel BEGIN SELECT RAISE(ABORT, 'the record is append-only: channel rows are never changed'); END;
CREATE TRIGGER run_refuses_update BEFORE UPDATE ON run BEGIN SELECT RAISE(ABORT, 'the record is append-only: run rows are never changed'); END;
CREATE TRIGGER run_refuses_delete BEFORE DELETE ON run BEGIN SELECT RAISE(ABORT, 'the record is append-only: run rows are never changed'); END;
CREATE TRIGGER run_end_refuses_update BEFORE UPDATE ON run_end BEGIN SELECT RAISE(ABORT, 'the record is append-only: run_end rows are never changed'); END;
CREATE TRIGGER run_end_refuses_delete BEFORE DELETE ON run_end BEGIN SELECT RAISE(ABORT, 'the record is append-only: run_end rows are never changed'); END;
CREATE TRIGGER reading_refuses_update BEFORE UPDATE ON reading BEGIN SELECT RAISE(ABORT, 'the record is append-only: reading rows are never changed'); END;
CREATE TRIGGER reading_refuses_delete BEFORE DELETE ON reading BEGIN SELECT RAISE(ABORT, 'the record is append-only: reading rows are never changed'); END;
CREATE TRIGGER alert_refuses_update BEFORE UPDATE ON alert BEGIN SELECT RAISE(ABORT, 'the record is append-only: alert rows are never changed'); END;
CREATE TRIGGER alert_refuses_delete BEFORE DELETE ON alert BEGIN SELECT RAISE(ABORT, 'the record is append-only: alert rows are never changed'); END;
CREATE INDEX alert_by_run ON alert (run, number);
CREATE TRIGGER delivery_refuses_update BEFORE UPDATE ON delivery BEGIN SELECT RAISE(ABORT, 'the record is append-only: delivery rows are never changed'); END;
CREATE TRIGGER delivery_refuses_delete BEFORE DELETE ON delivery BEGIN SELECT RAISE(ABORT, 'the record is append-only: delivery rows are never changed'); END;
CREATE INDEX delivery_by_alert ON delivery (alert, channel);
CREATE TRIGGER event_refuses_update BEFORE UPDATE ON event BEGIN SELECT RAISE(ABORT, 'the record is append-only: event rows are never changed'); END;
CREATE TRIGGER event_refuses_delete BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'the record is append-only: event rows are never changed'); END;
CREATE INDEX event_by_run ON event (run, number);
CREATE TRIGGER note_refuses_update BEFORE UPDATE ON note BEGIN SELECT RAISE(ABORT, 'the record is append-only: note rows are never changed'); END;
CREATE TRIGGER note_refuses_delete BEFORE DELETE ON note BEGIN SELECT RAISE(ABORT, 'the record is append-only: note rows are never changed'); END;
CREATE TRIGGER estimate_refuses_update BEFORE UPDATE ON estimate BEGIN SELECT RAISE(ABORT, 'the record is append-only: estimate rows are never changed'); END;
CREATE TRIGGER estimate_refuses_delete BEFORE DELETE ON estimate BEGIN SELECT RAISE(ABORT, 'the record is append-only: estimate rows are never changed'); END;
CREATE TRIGGER setting_refuses_update BEFORE UPDATE ON setting BEGIN SELECT RAISE(ABORT, 'the record is append-only: setting rows are never changed'); END;
CREATE TRIGGER setting_refuses_delete BEFORE DELETE ON setting BEGIN SELECT RAISE(ABORT, 'the record is append-only: setting rows are never changed'); END;
CREATE TRIGGER request_refuses_update BEFORE UPDATE ON request BEGIN SELECT RAISE(ABORT, 'the record is append-only: request rows are never changed'); END;
CREATE TRIGGER request_refuses_delete BEFORE DELETE ON request BEGIN SELECT RAISE(ABORT, 'the record is append-only: request rows are never changed'); END;
CREATE VIEW runs AS
        SELECT run.number, run.id, oven.name AS oven, run.sheet_name, run.sheet_text, run.started_utc_s,
               run_end.ended_utc_s, run_end.how AS how_ended, run.clock, run.software, run.poll_interval_s
        FROM run JOIN oven ON oven.number = run.oven LEFT JOIN run_end ON run_end.run = run.number;
CREATE VIEW trace AS
        SELECT run.id AS run, channel.name AS channel, reading.time_s,
               datetime(reading.utc_s, 'unixepoch') AS utc, reading.temperature_K, reading.quality, reading.raw
        FROM reading JOIN run ON run.number = reading.run JOIN channel ON channel.number = reading.channel;
COMMIT;
