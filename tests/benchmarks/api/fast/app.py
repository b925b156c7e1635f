from __future__ import annotations

import datetime as dt
import hashlib
import os
import uuid
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, FastAPI, HTTPException, Query, Request
from sqlalchemy import Select, func, or_, select
from sqlalchemy.ext.asyncio import AsyncSession, async_sessionmaker, create_async_engine
from sqlalchemy.orm import joinedload, selectinload

from . import shapes as s
from . import tables as t

PAGE = 50
ENGINE = create_async_engine(
    os.environ["DATABASE_URL"].replace("postgresql://", "postgresql+asyncpg://", 1), pool_size=8, max_overflow=0
)
READING = async_sessionmaker(ENGINE.execution_options(isolation_level="AUTOCOMMIT"), expire_on_commit=False)
WRITING = async_sessionmaker(ENGINE, expire_on_commit=False)


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    yield
    await ENGINE.dispose()


async def _reading() -> AsyncIterator[AsyncSession]:
    async with READING() as session:
        yield session


async def _writing() -> AsyncIterator[AsyncSession]:
    async with WRITING() as session:
        yield session


@dataclass(frozen=True, slots=True)
class Holder:
    user: uuid.UUID
    branches: list[uuid.UUID]


async def _holder(request: Request, session: AsyncSession) -> Holder:
    word, _, token = request.headers.get("authorization", "").partition(" ")
    if word != "Bearer":
        raise HTTPException(401)
    asked = (
        select(t.Person.id, func.array_agg(t.Membership.branch_id))
        .select_from(t.Token)
        .join(t.Application, t.Application.id == t.Token.application_id)
        .join(t.Person, t.Person.id == t.Application.user_id)
        .join(t.Membership, t.Membership.user_id == t.Person.id)
        .where(
            t.Token.token_checksum == hashlib.sha256(token.encode()).hexdigest(),
            t.Token.expires > func.now(),
            t.Person.is_active,
        )
        .group_by(t.Person.id)
    )
    found = (await session.execute(asked)).one_or_none()
    if found is None:
        raise HTTPException(401)
    return Holder(found[0], found[1])


Reading = Annotated[AsyncSession, Depends(_reading)]
Writing = Annotated[AsyncSession, Depends(_writing)]


async def _reader(request: Request, session: Reading) -> Holder:
    return await _holder(request, session)


async def _writer(request: Request, session: Writing) -> Holder:
    return await _holder(request, session)


Reader = Annotated[Holder, Depends(_reader)]
Writer = Annotated[Holder, Depends(_writer)]
Cursor = Annotated[uuid.UUID | None, Query()]
routes = APIRouter(prefix="/api/v1")


async def _page(request: Request, session: AsyncSession, asked: Select[Any], key: Any, cursor: Any) -> dict[str, Any]:
    """A page below the cursor, newest first."""
    if cursor is not None:
        asked = asked.where(key < cursor)
    rows: Sequence[Any] = (await session.scalars(asked.order_by(key.desc()).limit(PAGE + 1))).all()
    following = str(request.url.include_query_params(cursor=rows[PAGE - 1].id)) if len(rows) > PAGE else None
    return {"next": following, "results": rows[:PAGE]}


async def _one(session: AsyncSession, asked: Select[Any]) -> Any:
    found = (await session.scalars(asked)).one_or_none()
    if found is None:
        raise HTTPException(404)
    return found


ORDERS = select(t.Order).options(
    joinedload(t.Order.branch, innerjoin=True),
    selectinload(t.Order.lenses).joinedload(t.OrderedLens.article, innerjoin=True),
    selectinload(t.Order.lines),
    selectinload(t.Order.promises).joinedload(t.Promise.maker),
    selectinload(t.Order.replacements).load_only(t.Order.id),
)


@routes.get("/orders/", response_model=s.Page[s.OrderOut])
async def orders(
    request: Request,
    session: Reading,
    holder: Reader,
    branch: uuid.UUID | None = None,
    state: str | None = None,
    cursor: Cursor = None,
) -> Any:
    asked = ORDERS.where(t.Order.branch_id.in_(holder.branches))
    asked = asked if branch is None else asked.where(t.Order.branch_id == branch)
    asked = asked if state is None else asked.where(t.Order.state == state)
    return await _page(request, session, asked, t.Order.id, cursor)


@routes.get("/orders/{key}/", response_model=s.OrderOut)
async def order(session: Reading, holder: Reader, key: uuid.UUID) -> Any:
    return await _one(session, ORDERS.where(t.Order.id == key, t.Order.branch_id.in_(holder.branches)))


CUSTOMERS = (
    select(t.Customer)
    .where(t.Customer.erased_at.is_(None))
    .options(selectinload(t.Customer.refusals), selectinload(t.Customer.wrong))
)


@routes.get("/customers/", response_model=s.Page[s.CustomerOut])
async def customers(
    request: Request, session: Reading, holder: Reader, name: str | None = None, cursor: Cursor = None
) -> Any:
    asked = CUSTOMERS.where(t.Customer.branch_id.in_(holder.branches), t.Customer.merged_into_id.is_(None))
    for word in (name or "").casefold().split():
        asked = asked.where(
            or_(
                t.Customer.search_family.startswith(word, autoescape=True),
                t.Customer.search_given.startswith(word, autoescape=True),
                t.Customer.search_family.contains(f" {word}", autoescape=True),
                t.Customer.search_given.contains(f" {word}", autoescape=True),
            )
        )
    return await _page(request, session, asked, t.Customer.id, cursor)


@routes.get("/customers/{key}/", response_model=s.CustomerOut)
async def customer(session: Reading, holder: Reader, key: uuid.UUID) -> Any:
    return await _one(session, CUSTOMERS.where(t.Customer.id == key, t.Customer.branch_id.in_(holder.branches)))


@routes.post("/customers/", response_model=s.RegisteredOut, status_code=201)
async def customer_new(session: Writing, holder: Writer, body: s.CustomerIn) -> Any:
    if body.branch not in holder.branches:
        raise HTTPException(404)
    given, family = body.given_name.casefold(), body.family_name.casefold()
    same = or_(
        (t.Customer.email != "") & (func.lower(t.Customer.email) == body.email.lower()),
        (t.Customer.birth_date == body.birth_date)
        & or_(t.Customer.search_family == family, t.Customer.search_given == given),
        (t.Customer.search_family == family) & (t.Customer.search_given == given) & t.Customer.birth_date.is_(None),
    )
    anywhere = select(t.Customer.id).where(same)
    alike = select(t.Customer).where(
        t.Customer.id.in_(anywhere),
        t.Customer.branch_id.in_(holder.branches),
        t.Customer.merged_into_id.is_(None),
        t.Customer.erased_at.is_(None),
    )
    near = (await session.scalars(alike.order_by(t.Customer.id.desc()).limit(10))).all()
    branch = (await session.scalars(select(t.Branch).where(t.Branch.id == body.branch))).one()
    made = t.Customer(
        **body.model_dump(exclude={"branch"}),
        branch_id=branch.id,
        search_given=given,
        search_family=family,
        country=branch.country,
        language=branch.language,
        refusals=[],
        wrong=[],
    )
    session.add(made)
    await session.flush()
    event = t.Event(
        type="customers.registered",
        subject=f"customers/{made.id}",
        branch_id=branch.id,
        actor_id=holder.user,
        data={"customer": str(made.id)},
    )
    session.add(event)
    await session.flush()
    session.add(t.Delivery(event_id=event.id, handler="integrations.place_in_feed"))
    await session.commit()
    shown = s.CustomerOut.model_validate(made).model_dump()
    return {**shown, "near_duplicates": near}


@routes.get("/prescriptions/", response_model=s.Page[s.PrescriptionOut])
async def prescriptions(
    request: Request, session: Reading, holder: Reader, customer: uuid.UUID, cursor: Cursor = None
) -> Any:
    merged = select(t.Customer.id).where(or_(t.Customer.id == customer, t.Customer.merged_into_id == customer))
    asked = (
        select(t.Prescription)
        .where(t.Prescription.branch_id.in_(holder.branches), t.Prescription.customer_id.in_(merged))
        .options(
            joinedload(t.Prescription.branch, innerjoin=True),
            selectinload(t.Prescription.successor).load_only(t.Prescription.id),
            selectinload(t.Prescription.eyes).selectinload(t.Eye.prism),
            selectinload(t.Prescription.overrides),
        )
    )
    return await _page(request, session, asked, t.Prescription.id, cursor)


JOBS = select(t.Job).options(
    joinedload(t.Job.branch, innerjoin=True),
    joinedload(t.Job.of_order, innerjoin=True)
    .load_only(t.Order.number, t.Order.frame_id, t.Order.frame_is_customers)
    .joinedload(t.Order.frame, innerjoin=True),
    joinedload(t.Job.holding),
    joinedload(t.Job.lies_at),
)


@routes.get("/jobs/", response_model=s.Page[s.JobOut])
async def jobs(
    request: Request,
    session: Reading,
    holder: Reader,
    branch: uuid.UUID,
    state: Annotated[list[str], Query()],
    after_day: dt.date | None = None,
    cursor: Cursor = None,
) -> Any:
    """Promised first; the cursor is the day with the key."""
    place = (t.Job.promised_on, t.Job.id)
    asked = JOBS.where(t.Job.branch_id.in_(holder.branches), t.Job.branch_id == branch, t.Job.state.in_(state))
    if after_day is not None and cursor is not None:
        asked = asked.where(func.row(*place) > func.row(after_day, cursor))
    asked = asked.options(selectinload(t.Job.steps)).order_by(*place).limit(PAGE + 1)
    rows = (await session.scalars(asked)).all()
    following = None
    if len(rows) > PAGE:
        last = rows[PAGE - 1]
        following = str(request.url.include_query_params(after_day=last.promised_on, cursor=last.id))
    return {"next": following, "results": rows[:PAGE]}


JOB_IN_FULL = JOBS.options(
    selectinload(t.Job.steps).joinedload(t.Step.starter),
    selectinload(t.Job.steps).joinedload(t.Step.doer),
    selectinload(t.Job.readings).joinedload(t.Reading.reader),
    selectinload(t.Job.breakages).joinedload(t.Breakage.breaker),
    joinedload(t.Job.of_order, innerjoin=True)
    .selectinload(t.Order.lenses)
    .joinedload(t.OrderedLens.article, innerjoin=True),
)


@routes.get("/jobs/{key}/", response_model=s.JobInFullOut)
async def job(session: Reading, holder: Reader, key: uuid.UUID) -> Any:
    return await _one(session, JOB_IN_FULL.where(t.Job.id == key, t.Job.branch_id.in_(holder.branches)))


@routes.get("/stock/", response_model=s.Page[s.LotOut])
async def stock(request: Request, session: Reading, holder: Reader, branch: uuid.UUID, cursor: Cursor = None) -> Any:
    asked = (
        select(t.Lot)
        .where(t.Lot.branch_id.in_(holder.branches), t.Lot.branch_id == branch)
        .options(
            joinedload(t.Lot.item, innerjoin=True).options(joinedload(t.Item.of_frame), joinedload(t.Item.of_lens))
        )
    )
    return await _page(request, session, asked, t.Lot.id, cursor)


@routes.get("/payments/", response_model=s.Page[s.PaymentOut])
async def payments(request: Request, session: Reading, holder: Reader, branch: uuid.UUID, cursor: Cursor = None) -> Any:
    asked = (
        select(t.Payment)
        .where(t.Payment.branch_id.in_(holder.branches), t.Payment.branch_id == branch)
        .options(joinedload(t.Payment.receipt))
    )
    return await _page(request, session, asked, t.Payment.id, cursor)


application = FastAPI(lifespan=_lifespan, openapi_url=None)
application.include_router(routes)
