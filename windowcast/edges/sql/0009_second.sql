-- Kept free.
SELECT 1;
