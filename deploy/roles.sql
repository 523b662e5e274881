-- The database's roles, for psql as a superuser, once: deploy/compose.yaml has PostgreSQL read it when the database is made.
-- By hand: OWNER_PASSWORD=… WEB_PASSWORD=… WORKER_PASSWORD=… psql -d neaptide -f deploy/roles.sql
-- What each may do is given by `neaptide migrate`, as the owner.
\set ON_ERROR_STOP on
\getenv owner OWNER_PASSWORD
\getenv web WEB_PASSWORD
\getenv worker WORKER_PASSWORD
CREATE ROLE neaptide_owner LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS PASSWORD :'owner';
CREATE ROLE neaptide_web LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS PASSWORD :'web';
CREATE ROLE neaptide_worker LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS PASSWORD :'worker';
-- Whoever looks into the trail gives this one a password when it is needed: \password neaptide_auditor
CREATE ROLE neaptide_auditor LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS;
SELECT format('ALTER DATABASE %I OWNER TO neaptide_owner', current_database()) \gexec
