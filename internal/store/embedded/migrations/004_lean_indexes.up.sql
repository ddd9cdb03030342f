-- As in the other store; here every index stays.
SELECT 1;
