-- What auditors ask for that had no search column: whose service it is, the lot,
-- the zones and sections, and the reason given for an override. Entries from
-- before do not have these fields, so their columns stay empty.

-- +goose Up
alter table audit_entries add column practitioner text, add column lot text, add column subjects text[], add column override_reason text;
create index audit_entries_of_service on audit_entries (chain, practitioner, position) where practitioner is not null;
create index audit_entries_by_lot     on audit_entries (chain, lot, position) where lot is not null;
