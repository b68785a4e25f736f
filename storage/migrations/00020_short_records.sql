-- Records of clients are a few hundred bytes to some 2 kB from here on, because they
-- are compressed with a dictionary. See storage/dictionaries.go.

-- +goose Up

-- A row of 2 to 4 kB stays in its page, two or more to a page, instead of being cut into
-- pieces in the TOAST table: measured, 10 % less WAL and 7 % less disk for each. Longer
-- rows would waste most of a page and are moved out as before. Only new rows follow this.
alter table decisions      set (toast_tuple_target = 4080);
alter table consultations  set (toast_tuple_target = 4080);
alter table sessions       set (toast_tuple_target = 4080);
alter table session_events set (toast_tuple_target = 4080);
alter table outcomes       set (toast_tuple_target = 4080);
alter table requests       set (toast_tuple_target = 4080);
