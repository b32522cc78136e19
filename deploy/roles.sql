-- A database for Loombook that the program itself does not own: it reads and writes rows, and can
-- neither change a table nor switch a trigger off. Given again, it makes what is missing. As
-- PostgreSQL's superuser:
--     psql -v owner=loombook_owner -v app=loombook -v name=loombook -f deploy/roles.sql
\set ON_ERROR_STOP on
SELECT format('CREATE ROLE %I LOGIN', one) FROM unnest(ARRAY[:'owner', :'app']) AS one
WHERE one NOT IN (SELECT rolname FROM pg_roles) \gexec
SELECT format('CREATE DATABASE %I OWNER %I', :'name', :'owner')
WHERE :'name' NOT IN (SELECT datname FROM pg_database) \gexec
REVOKE ALL ON DATABASE :"name" FROM PUBLIC;
GRANT CONNECT ON DATABASE :"name" TO :"app";
\connect :"name"
ALTER SCHEMA public OWNER TO :"owner";
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO :"app";
ALTER DEFAULT PRIVILEGES FOR ROLE :"owner" IN SCHEMA public
    GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO :"app";
ALTER DEFAULT PRIVILEGES FOR ROLE :"owner" IN SCHEMA public
    GRANT USAGE, SELECT ON SEQUENCES TO :"app";
