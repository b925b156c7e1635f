FROM python:3.12-slim
ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 PIP_DISABLE_PIP_VERSION_CHECK=1 \
    DJANGO_SETTINGS_MODULE=opticshop.config.settings.production
WORKDIR /srv/opticshop
COPY requirements/base.txt requirements/base.txt
RUN pip install --no-cache-dir --require-hashes -r requirements/base.txt
COPY . .
RUN pip install --no-cache-dir --no-deps --no-build-isolation ./plugins/*/ \
    && useradd --create-home shop && mkdir -p var && chown shop var
USER shop
EXPOSE 8000
CMD ["gunicorn", "opticshop.config.wsgi:application", "--bind", "0.0.0.0:8000", "--workers", "2", "--threads", "4", "--keep-alive", "75", \
     "--logger-class", "opticshop.config.gunicorn_logs.ScrubbedLogger"]
