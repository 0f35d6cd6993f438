-- Nothing yet: this step keeps its number for what watches a treatment in hand.
SELECT 1;
