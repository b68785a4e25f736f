-- Servers learn who was erased from the entries of all chains as they come.

-- +goose Up

grant select (kind, client) on audit_entries to alkalog_keeper;
