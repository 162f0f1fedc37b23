-- One row is a tank-day that does not close: book = opening + deliveries - sales, variance = closing - book.
-- Tolerance: a millionth of a litre and of the stock.
-- fail
select
    tank_id,
    trading_day,
    opening_stock_l,
    deliveries_l,
    sales_l,
    book_stock_l,
    closing_stock_l,
    variance_l
from tank_days
where
    abs(opening_stock_l + deliveries_l - sales_l - book_stock_l) > 1e-6 + 1e-6 * abs(book_stock_l)
    or abs(closing_stock_l - book_stock_l - variance_l) > 1e-6 + 1e-6 * abs(book_stock_l)
    or (
        variance_l is not null
        and (book_stock_l is null or closing_stock_l is null)
    )
    or (
        book_stock_l is not null
        and (opening_stock_l is null or deliveries_l is null or sales_l is null)
    )
