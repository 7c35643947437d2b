@echo off
rem Plans a sample floor and says where the report lies; environment.py does the work.
setlocal
if not defined PYTHON where py >nul 2>nul && set "PYTHON=py"
if not defined PYTHON set "PYTHON=python"
"%PYTHON%" "%~dp0environment.py" demo %*
exit /b %errorlevel%
