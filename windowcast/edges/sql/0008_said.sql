-- Kept free for what was said to whom.
SELECT 1;
